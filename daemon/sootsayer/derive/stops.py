"""Stretches that are chances of their own: warm idle stops, and the valve asked to be shut."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sootsayer.derive.frames import FRAME_MS
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities
from sootsayer.model import FloatArray

STOP_SKIP_FRAMES = 10  # the engine needs five seconds to come to rest after rolling up
STOP_LEAST_FRAMES = 20  # ten seconds of idle speed to measure its steadiness
WANDER_LAG_FRAMES = 2
STOP_LONGEST_FRAMES = 120  # a long wait counts anew every minute
SHUT_SKIP_FRAMES = 6  # three seconds for the valve to come home (rule M2)
SHUT_LEAST_FRAMES = 6
SHUT_LONGEST_FRAMES = 120
SHUT_COMMAND_POINTS = 1.0
SHUT_PLACE_POINTS = 4.0  # position above the shut place that counts as not shut (rule M2)


@dataclass(frozen=True, slots=True)
class Stop:
    """One warm idle stretch: how steady the engine ran (see ``wander``)."""

    start_ms: int
    end_ms: int
    rpm_sd: float
    map_kpa: float


@dataclass(frozen=True, slots=True)
class Rest:
    """One stretch with the valve asked shut: how long, and how much of it the car said "open"."""

    start_ms: int
    end_ms: int
    open_share: float
    mean_points: float


class Stops(Kept):
    """Collects warm idle stretches."""

    kept = ("start_ms", "rpm", "map")

    def __init__(self) -> None:
        self.start_ms: int | None = None
        self.rpm: list[float] = []
        self.map: list[float] = []

    def step(self, q: Quantities) -> list[Stop]:
        done: list[Stop | None] = []
        start_ms = q.block.start_ms
        if not q.block.contiguous:
            done.append(self._close(start_ms))
        idle = (q.states["idle"] == 1).tolist()
        if self.start_ms is None and True not in idle:
            return []
        # The last reading of each frame, not its mean: a mean would flatter a fast-polled engine.
        rpm, map_kpa = q.block.column("rpm last").tolist(), q.map.tolist()
        for index, idles in enumerate(idle):
            begin_ms = start_ms + index * FRAME_MS
            if not idles:
                done.append(self._close(begin_ms))
                continue
            if self.start_ms is None:
                self.start_ms = begin_ms
            self.rpm.append(rpm[index])
            self.map.append(map_kpa[index])
            if len(self.rpm) >= STOP_LONGEST_FRAMES:
                done.append(self._close(begin_ms + FRAME_MS))
        return [stop for stop in done if stop is not None]

    def _close(self, end_ms: int) -> Stop | None:
        start_ms, self.start_ms = self.start_ms, None
        rpm, self.rpm = self.rpm, []
        map_kpa, self.map = self.map, []
        if start_ms is None or len(rpm) < STOP_SKIP_FRAMES + STOP_LEAST_FRAMES:
            return None
        return Stop(
            start_ms, end_ms, wander(np.array(rpm[STOP_SKIP_FRAMES:])), float(np.mean(map_kpa))
        )  # fmt: skip


def wander(rpm: FloatArray) -> float:
    """Standard deviation of idle speed in rpm, from its changes within a second.

    Slow drift and single steps, as when a fan cuts in or the selector is moved, are no
    unsteadiness and leave the middle of the changes where it is. 1.4826 makes the median
    deviation of a normal distribution its standard deviation; √2, since a change has two ends.
    """
    changes = np.abs(rpm[WANDER_LAG_FRAMES:] - rpm[:-WANDER_LAG_FRAMES])
    return 1.4826 * float(np.median(changes)) / math.sqrt(2)


class Rests(Kept):
    """Collects stretches with the valve asked shut while its position is known."""

    kept = ("start_ms", "frames", "seen", "open", "points")

    def __init__(self) -> None:
        self._clear()

    def _clear(self) -> None:
        self.start_ms: int | None = None
        self.frames = 0
        self.seen = 0
        self.open = 0
        self.points = 0.0

    def step(self, q: Quantities, use_position: bool) -> list[Rest]:
        done: list[Rest | None] = []
        start_ms = q.block.start_ms
        if not q.block.contiguous:
            done.append(self._close(start_ms))
        # A valve stuck open may keep the engine from starting: then cranking is all there is.
        turning = q.running() | (q.states["cranking"] == 1)
        shut = (turning & (q.asked <= SHUT_COMMAND_POINTS)).tolist()
        if self.start_ms is None and True not in shut:
            return []
        moved, not_shut = q.moved.tolist(), q.not_shut.tolist()
        for index, is_shut in enumerate(shut):
            begin_ms = start_ms + index * FRAME_MS
            if not is_shut:
                done.append(self._close(begin_ms))
                continue
            if self.start_ms is None:
                self.start_ms = begin_ms
            self.frames += 1
            if self.frames > SHUT_SKIP_FRAMES and use_position:
                self._look(moved[index], not_shut[index])
            if self.frames >= SHUT_LONGEST_FRAMES:
                done.append(self._close(begin_ms + FRAME_MS))
        return [rest for rest in done if rest is not None]

    def _look(self, moved: float, not_shut: float) -> None:
        if not_shut == 1:
            self.seen += 1
            self.open += 1
        elif not math.isnan(moved):
            self.seen += 1
            self.points += moved
            self.open += moved > SHUT_PLACE_POINTS

    def _close(self, end_ms: int) -> Rest | None:
        start_ms, seen, opened, points = self.start_ms, self.seen, self.open, self.points
        self._clear()
        if start_ms is None or seen < SHUT_LEAST_FRAMES:
            return None
        return Rest(start_ms, end_ms, opened / seen, points / seen)
