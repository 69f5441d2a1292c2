"""Trips: one run of the engine from its first to its last running reading."""

from __future__ import annotations

from sootsayer.derive.frames import FRAME_MS, FRAME_S, Block
from sootsayer.derive.keep import Kept
from sootsayer.model import BoolArray, FloatArray, Trip

# A stop-start engine rests for seconds at a light; a minute without running ends the trip.
TRIP_END_MS = 60_000


class Trips(Kept):
    """Numbers trips and adds up what they hold."""

    kept = (
        "number", "start_ms", "last_ms", "open", "running_s", "distance_km", "openings",
        "engine_s", "stopped_ms", "soak_s",
    )  # fmt: skip

    def __init__(self) -> None:
        self.number = 0
        self.start_ms = 0
        self.last_ms = 0  # end of the last running frame
        self.open = False
        self.running_s = 0.0
        self.distance_km = 0.0
        self.openings = 0
        self.engine_s = 0.0
        self.stopped_ms: int | None = None
        self.soak_s: float | None = None  # how long the engine had rested before this trip

    def step(self, block: Block, running: BoolArray, speed_kmh: FloatArray) -> list[Trip]:
        """Trips that began, went on or ended in this block."""
        changed: list[Trip] = []
        if self.open and block.start_ms - self.last_ms > TRIP_END_MS:
            changed.append(self._end())
        speeds = speed_kmh.tolist()
        if self.open and block.start_ms == self.last_ms and running.all():
            self._go_on(block, speeds)  # most blocks by far
            return [*changed, self.trip()]
        ends_ms = block.ends_ms.tolist()
        for index, runs in enumerate(running.tolist()):
            end_ms = ends_ms[index]
            if self.open and end_ms - self.last_ms > TRIP_END_MS:
                changed.append(self._end())
            if not runs:
                continue
            if not self.open:
                self._begin(end_ms - FRAME_MS)
            self.last_ms = end_ms
            self.running_s += FRAME_S
            self.engine_s += FRAME_S
            self._drive(speeds[index])
        if self.open:
            changed.append(self.trip())
        return changed

    def _go_on(self, block: Block, speeds: list[float]) -> None:
        self.last_ms = block.end_ms
        self.running_s += len(speeds) * FRAME_S
        self.engine_s += len(speeds) * FRAME_S
        for speed in speeds:
            self._drive(speed)

    def _drive(self, speed_kmh: float) -> None:
        if speed_kmh == speed_kmh:
            self.distance_km += speed_kmh * FRAME_S / 3600

    def trip(self) -> Trip:
        return Trip(
            self.number, self.start_ms, self.last_ms, self.open, self.running_s,
            round(self.distance_km, 2), self.openings,
        )  # fmt: skip

    def minutes(self, t_ms: int) -> float:
        """Minutes since this trip began."""
        return (t_ms - self.start_ms) / 60_000

    def _begin(self, start_ms: int) -> None:
        self.soak_s = None if self.stopped_ms is None else (start_ms - self.stopped_ms) / 1000
        self.number += 1
        self.start_ms = start_ms
        self.open = True
        self.running_s = self.distance_km = 0.0
        self.openings = 0

    def _end(self) -> Trip:
        self.open = False
        self.stopped_ms = self.last_ms
        return self.trip()
