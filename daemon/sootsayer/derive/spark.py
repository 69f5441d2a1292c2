"""Spark against the car's own like for like, opening by opening: later spark tells of knock.

Control units take spark back when they hear knock; recirculation damps knock, so an opening
without flow knocks first. Compared are cells of engine speed, load and intake temperature with
the valve asked open, since control units use another spark map when it is shut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sootsayer.derive.commanding import CELL_RPM, load_of
from sootsayer.derive.frames import FRAME_MS
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities

ASKED_POINTS = 4.0
LEAST_FRAMES = 8  # four settled seconds in known cells
LONGEST_FRAMES = 240
CELL_IAT_C = 12.0  # knock limits move by about a degree per ten kelvin of intake air
CELL_KNOWN_FRAMES = 60.0  # half a minute
CELL_FULL_FRAMES = 1200.0  # then the cell stands as it was first seen, until a repair


@dataclass(frozen=True, slots=True)
class SparkOpening:
    """Mean retard against the baseline over one stretch of asking, in degrees, + is later.
    None while its cells are not known."""

    start_ms: int
    end_ms: int
    retard_deg: float | None


class Spark(Kept):
    """Cells of spark with the valve asked open, and the opening that runs."""

    kept = ("cells", "own", "start_ms", "frames")

    def __init__(self) -> None:
        self.cells: dict[str, list[float]] = {}  # cell → [frames, mean spark]
        self._clear()

    def _clear(self) -> None:
        self.own: dict[str, list[float]] = {}  # cell → [frames, sum of spark] of this opening
        self.start_ms: int | None = None
        self.frames = 0

    def step(self, q: Quantities, learn: bool) -> list[SparkOpening]:
        spark = q.block.columns.get("sparkadv")
        if spark is None:
            self._clear()
            return []
        open_ = (q.asked > ASKED_POINTS) & q.running()
        if not open_.any():
            return self._close(q.block.start_ms, learn) if self.start_ms is not None else []
        load, width = load_of(q)
        counted = open_ & q.settled & (q.states["cruise"] == 1) & ~np.isnan(spark + load + q.iat)
        if not counted.any() and self.start_ms is None:
            return []
        made: list[SparkOpening] = []
        rows = list(
            zip(open_.tolist(), counted.tolist(), q.rpm.tolist(), load.tolist(), q.iat.tolist(),
                spark.tolist(), strict=True)
        )  # fmt: skip
        for index, (opened, counts, rpm, kpa, iat, degrees) in enumerate(rows):
            begin_ms = q.block.start_ms + index * FRAME_MS
            if not opened:
                if self.start_ms is not None:
                    made += self._close(begin_ms, learn)
                continue
            if not counts:
                continue
            if self.start_ms is None:
                self.start_ms = begin_ms
            name = f"{int(rpm // CELL_RPM)},{int(kpa // width)},{int(iat // CELL_IAT_C)}"
            sums = self.own.setdefault(name, [0.0, 0.0])
            sums[0] += 1
            sums[1] += degrees
            self.frames += 1
            if self.frames >= LONGEST_FRAMES:
                made += self._close(begin_ms + FRAME_MS, learn)
        return made

    def _close(self, end_ms: int, learn: bool) -> list[SparkOpening]:
        own, start_ms = self.own, self.start_ms
        self._clear()
        assert start_ms is not None
        frames = retard = 0.0
        for name, (count, whole) in own.items():
            cell = self.cells.get(name)
            if cell is not None and cell[0] >= CELL_KNOWN_FRAMES:
                frames += count
                retard += count * cell[1] - whole
        known = frames >= LEAST_FRAMES
        # One late opening must not become the measure of the next: two degrees is the limit
        # of the rule, and what lies beyond it is not learned.
        if learn and not (known and abs(retard / frames) > 2.0):
            self._learn(own)
        return [SparkOpening(start_ms, end_ms, retard / frames if known else None)]

    def _learn(self, own: dict[str, list[float]]) -> None:
        for name, (count, whole) in own.items():
            n, mean = self.cells.get(name, [0.0, 0.0])
            if n < CELL_FULL_FRAMES:
                self.cells[name] = [n + count, mean + (whole - count * mean) / (n + count)]
