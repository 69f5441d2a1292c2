"""Whether the inputs that permit recirculation can be believed: warm-ups and key-on readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sootsayer.derive.frames import FRAME_MS, FRAME_S
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities
from sootsayer.derive.trips import Trips
from sootsayer.model import FloatArray

WARM_UP_S = 900.0  # a sound thermostat has opened well within a quarter of an hour of running
MOVING_KMH = 20.0
KEY_ON_SKIP_FRAMES = 10  # five seconds for the manifold to fill after the engine stopped
KEY_ON_LEAST_FRAMES = 4
STAND_SKIP_FRAMES = 6
STAND_LEAST_FRAMES = 20
STAND_LONGEST_FRAMES = 120
STAND_RPM = 1000.0  # standing below this, nobody has a foot on the pedal
NAN = float("nan")


@dataclass(frozen=True, slots=True)
class WarmUp:
    """The first quarter of an hour of one trip. Temperatures in °C, NaN where not known."""

    start_ms: int
    end_ms: int
    soak_s: float | None
    ect_first: float
    ect_last: float
    ect_low: float
    ect_high: float
    iat_first: float
    iat_low: float
    iat_high: float
    ambient_low: float
    moved_s: float
    stood_s: float


class WarmUps(Kept):
    """One record a trip, made when the engine has run for a quarter of an hour."""

    kept = ("trip", "done", "seen", "moved_s", "stood_s")

    def __init__(self) -> None:
        self._begin(0)

    def _begin(self, trip: int) -> None:
        self.trip = trip
        self.done = False
        self.seen: dict[str, list[float]] = {}  # channel → [first, last, low, high]
        self.moved_s = 0.0
        self.stood_s = 0.0

    def step(self, q: Quantities, trips: Trips) -> list[WarmUp]:
        if trips.number != self.trip:
            self._begin(trips.number)
        if self.done or not trips.open:
            return []
        running = q.running()
        for name, column in (("ect", q.ect), ("iat", q.iat), ("aat", q.block.column("aat"))):
            self._take(name, column[running & ~np.isnan(column)])
        self.moved_s += float(np.count_nonzero(running & (q.speed > MOVING_KMH))) * FRAME_S
        self.stood_s += float(np.count_nonzero(running & (q.speed < 1.0))) * FRAME_S
        if trips.running_s < WARM_UP_S:
            return []
        self.done = True
        ect, iat, aat = (self.seen.get(n, [NAN] * 4) for n in ("ect", "iat", "aat"))
        return [
            WarmUp(
                trips.start_ms, q.block.end_ms, trips.soak_s, ect[0], ect[1], ect[2], ect[3],
                iat[0], iat[2], iat[3], aat[2], self.moved_s, self.stood_s,
            )
        ]  # fmt: skip

    def _take(self, name: str, known: FloatArray) -> None:
        if not len(known):
            return
        low, high = float(known.min()), float(known.max())
        before = self.seen.get(name)
        if before is None:
            self.seen[name] = [float(known[0]), float(known[-1]), low, high]
        else:
            self.seen[name] = [before[0], float(known[-1]), min(before[2], low),
                               max(before[3], high)]  # fmt: skip


@dataclass(frozen=True, slots=True)
class KeyOn:
    """Key on, engine off: manifold and barometric pressure ought to be the same."""

    start_ms: int
    end_ms: int
    map_kpa: float
    baro_kpa: float


class KeyOns(Kept):
    """One record for each stretch with the key on before the engine is started."""

    kept = ("start_ms", "frames", "map_sum", "baro_sum", "skip")

    def __init__(self) -> None:
        self.skip = 0
        self._clear()

    def _clear(self) -> None:
        self.start_ms = 0
        self.frames = 0
        self.map_sum = 0.0
        self.baro_sum = 0.0

    def step(self, q: Quantities) -> list[KeyOn]:
        if (q.rpm > 50).all():
            self.skip = KEY_ON_SKIP_FRAMES
            self._clear()
            return []
        made: list[KeyOn] = []
        rpm, map_kpa, baro = q.rpm.tolist(), q.map.tolist(), q.baro.tolist()
        for index, turns in enumerate(rpm):
            if turns < 1:
                self._look(q.block.start_ms + index * FRAME_MS, map_kpa[index], baro[index])
            elif turns > 50:
                made += self._close(q.block.start_ms + index * FRAME_MS)
                self.skip = KEY_ON_SKIP_FRAMES
        return made

    def _look(self, begin_ms: int, map_kpa: float, baro: float) -> None:
        if self.skip > 0:
            self.skip -= 1
        elif map_kpa == map_kpa and baro == baro:
            self.start_ms = self.start_ms or begin_ms
            self.frames += 1
            self.map_sum += map_kpa
            self.baro_sum += baro

    def _close(self, end_ms: int) -> list[KeyOn]:
        made = []
        if self.frames >= KEY_ON_LEAST_FRAMES:
            n = self.frames
            made.append(KeyOn(self.start_ms, end_ms, self.map_sum / n, self.baro_sum / n))
        self._clear()
        return made


@dataclass(frozen=True, slots=True)
class Stand:
    """One stretch of standing at idle: where the throttle stood, in %."""

    start_ms: int
    end_ms: int
    throttle_pct: float


class Stands(Kept):
    """Collects where the shut throttle stands, without knowing beforehand where that is."""

    kept = ("start_ms", "frames", "throttle_sum")

    def __init__(self) -> None:
        self._clear()

    def _clear(self) -> None:
        self.start_ms = 0
        self.frames = 0
        self.throttle_sum = 0.0

    def step(self, q: Quantities) -> list[Stand]:
        standing = (
            q.running() & (q.states["warm"] == 1) & (q.speed < 1.0) & (q.rpm < STAND_RPM)
            & ~np.isnan(q.throttle)
        )  # fmt: skip
        if not self.frames and not standing.any():
            return []
        made: list[Stand] = []
        throttle = q.throttle.tolist()
        for index, stands in enumerate(standing.tolist()):
            begin_ms = q.block.start_ms + index * FRAME_MS
            if not stands:
                made += self._close(begin_ms)
                continue
            self.start_ms = self.start_ms or begin_ms
            self.frames += 1
            if self.frames > STAND_SKIP_FRAMES:
                self.throttle_sum += throttle[index]
            if self.frames >= STAND_LONGEST_FRAMES:
                made += self._close(begin_ms + FRAME_MS)
        return made

    def _close(self, end_ms: int) -> list[Stand]:
        counted = self.frames - STAND_SKIP_FRAMES
        made = []
        if counted >= STAND_LEAST_FRAMES:
            made.append(Stand(self.start_ms, end_ms, self.throttle_sum / counted))
        self._clear()
        return made
