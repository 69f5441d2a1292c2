"""How the engine starts, comes to rest and dies: restarts, arrivals, stalls."""

from __future__ import annotations

from dataclasses import dataclass

from sootsayer.derive.frames import FRAME_MS, FRAME_S
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities
from sootsayer.derive.states import RUNNING_RPM

TURNING_RPM = 50.0
DEAD_RPM = 300.0  # below this a running engine has died (rule E5)
SAG_RPM = 500.0
# A key turned off takes an engine through here within a second; dying takes longer.
SAG_LEAST_FRAMES = 3
AFTER_START_FRAMES = 60  # thirty seconds in which a bad start shows itself
SKIP_AFTER_START_FRAMES = 3
UNKNOWN_FRAMES = 4  # two seconds without engine speed: what happened then is not known
MOVING_KMH = 3.0
ROLLING_KMH = 5.0
STANDING_KMH = 2.0
TIPPED_POINTS = 3.0  # throttle above its lowest place: the driver was setting off
TIPPED_FRAMES = 4


@dataclass(frozen=True, slots=True)
class Start:
    """One start of the engine. ``rest_s``: since it last ran, None where that was not seen."""

    start_ms: int
    end_ms: int
    crank_s: float
    rest_s: float | None
    ect_c: float
    lowest_rpm: float
    stalled: bool


@dataclass(frozen=True, slots=True)
class Arrival:
    """The car came to rest with its engine running, or the engine died: ``stalled``."""

    t_ms: int
    stalled: bool
    speed_kmh: float


class Starts(Kept):
    """Walks engine speed through off, cranking, running."""

    kept = (
        "phase", "unknown", "crank", "sag", "start", "ran_ms", "rolling", "speed", "tipped",
        "lowest_tp",
    )  # fmt: skip

    def __init__(self) -> None:
        self.phase = "unknown"  # "unknown", "off", "cranking", "running"
        self.unknown = 0
        self.crank = 0
        self.sag = 0
        # [begin_ms, crank_s, rest_s, ect, lowest, frames] of a start whose half minute still runs
        self.start: list[float | None] | None = None
        self.ran_ms: int | None = None
        self.rolling = False
        self.speed = 0.0
        self.tipped = 0
        self.lowest_tp = 100.0

    def step(self, q: Quantities) -> tuple[list[Start], list[Arrival]]:
        if self._nothing_happens(q):
            self.ran_ms = q.block.end_ms
            self.speed = float(q.speed[-1])
            return [], []
        starts: list[Start] = []
        arrivals: list[Arrival] = []
        rpm, speed, tp = q.rpm.tolist(), q.speed.tolist(), q.throttle.tolist()
        ect = q.ect.tolist()
        for index, turns in enumerate(rpm):
            begin_ms = q.block.start_ms + index * FRAME_MS
            self._note_throttle(tp[index])
            self._frame(begin_ms, turns, speed[index], ect[index], starts, arrivals)
        return starts, arrivals

    def _nothing_happens(self, q: Quantities) -> bool:
        """Running and rolling, or running and standing, all along: most blocks by far."""
        if self.phase != "running" or self.start is not None or not (q.rpm > SAG_RPM).all():
            return False
        self.sag = self.unknown = self.tipped = 0
        return bool((q.speed > ROLLING_KMH).all() and self.rolling) or bool(
            (q.speed < STANDING_KMH).all() and not self.rolling
        )

    def _note_throttle(self, tp: float) -> None:
        if tp == tp:
            self.lowest_tp = min(self.lowest_tp, tp)
            tipped = tp > self.lowest_tp + TIPPED_POINTS
            self.tipped = TIPPED_FRAMES if tipped else max(0, self.tipped - 1)

    def _frame(
        self, begin_ms: int, rpm: float, speed: float, ect: float, starts: list[Start],
        arrivals: list[Arrival],
    ) -> None:  # fmt: skip
        if rpm != rpm:
            self.unknown += 1
            if self.unknown >= UNKNOWN_FRAMES:
                self.phase, self.start, self.rolling = "unknown", None, False
            return
        self.unknown = 0
        if rpm < (DEAD_RPM if self.phase == "running" else TURNING_RPM):
            self._off(begin_ms, speed, starts, arrivals)
        elif rpm < RUNNING_RPM and self.phase in ("off", "cranking"):
            self.crank = self.crank + 1 if self.phase == "cranking" else 1
            self.phase = "cranking"
        elif rpm >= RUNNING_RPM or self.phase == "running":
            self._run(begin_ms, rpm, ect, starts)
            self._roll(begin_ms, speed, arrivals)

    def _off(
        self, begin_ms: int, speed: float, starts: list[Start], arrivals: list[Arrival]
    ) -> None:
        if self.phase == "running":
            moving = speed > MOVING_KMH or self.speed > MOVING_KMH
            stalled = (moving or self.sag >= SAG_LEAST_FRAMES) and not self.tipped
            if self.start is not None:
                starts.append(self._started(begin_ms, stalled))
            if stalled:
                arrivals.append(Arrival(begin_ms, True, round(self.speed, 1)))
        self.phase, self.crank, self.sag, self.start, self.rolling = "off", 0, 0, None, False

    def _run(self, begin_ms: int, rpm: float, ect: float, starts: list[Start]) -> None:
        if self.phase in ("off", "cranking"):
            rest_s = None if self.ran_ms is None else (begin_ms - self.ran_ms) / 1000
            self.start = [begin_ms, self.crank * FRAME_S, rest_s, ect, rpm, 0]
        self.phase, self.crank = "running", 0
        self.ran_ms = begin_ms + FRAME_MS
        self.sag = self.sag + 1 if rpm < SAG_RPM else 0
        if self.start is None:
            return
        frames = int(self.start[5] or 0) + 1
        self.start[5] = frames
        if frames <= SKIP_AFTER_START_FRAMES:
            self.start[4] = rpm
        self.start[4] = min(float(self.start[4] or 0.0), rpm)
        if frames >= AFTER_START_FRAMES:
            starts.append(self._started(begin_ms + FRAME_MS, False))
            self.start = None

    def _started(self, end_ms: int, stalled: bool) -> Start:
        assert self.start is not None
        begin_ms, crank_s, rest_s, ect, lowest, _ = self.start
        return Start(
            int(begin_ms or 0), end_ms, float(crank_s or 0.0), rest_s,
            float("nan") if ect is None else ect, float(lowest or 0.0), stalled,
        )  # fmt: skip

    def _roll(self, begin_ms: int, speed: float, arrivals: list[Arrival]) -> None:
        if speed != speed:
            return
        if speed > ROLLING_KMH:
            self.rolling = True
        elif speed < STANDING_KMH and self.rolling:
            self.rolling = False
            arrivals.append(Arrival(begin_ms, False, 0.0))
        self.speed = speed
