"""How the control unit commands: its band in like conditions, and whether it hunts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sootsayer.derive.frames import BLOCK_FRAMES, BLOCK_MS
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities
from sootsayer.model import FloatArray

STEADY_BLOCKS = 3  # half a minute; longer steady stretches are rare on the road
STEADY_THROTTLE_POINTS = 4.0
STEADY_SPEED_KMH = 8.0
REVERSAL_POINTS = 10.0  # a swing of this much is a reversal (rule A3)
ASKED_POINTS = 1.0
CELL_RPM = 300.0
CELL_KPA = 8.0
CELL_LOAD_PCT = 8.0
CELL_KNOWN_FRAMES = 120  # a minute, in at least two trips
CELL_KNOWN_TRIPS = 2
CELL_FULL_FRAMES = 2400  # then the cell stands as it was first seen, until a repair
BAND_LEAST_POINTS = 8.0
BAND_SIGMAS = 3.0


@dataclass(frozen=True, slots=True)
class Steady:
    """Half a minute of steady driving: how often the command turned back, per minute."""

    start_ms: int
    end_ms: int
    reversals_a_minute: float


class SteadyStretches(Kept):
    """Collects half minutes of cruise with steady throttle and speed in which gas was asked."""

    kept = ("blocks", "low", "high", "asked", "turns", "extreme", "rising")

    def __init__(self) -> None:
        self._clear()

    def _clear(self) -> None:
        self.blocks = 0
        self.low = [math.inf, math.inf]  # throttle, speed
        self.high = [-math.inf, -math.inf]
        self.asked = False
        self.turns = 0
        self.extreme = float("nan")
        self.rising = 0

    def step(self, q: Quantities) -> list[Steady]:
        if not q.block.contiguous:
            self._clear()
        if not (q.states["cruise"] == 1).all() or np.isnan(q.asked).any():
            self._clear()
            return []
        low = [float(q.throttle.min()), float(q.speed.min())]
        high = [float(q.throttle.max()), float(q.speed.max())]
        if not self._steady(low, high):
            self._clear()
            if not self._steady(low, high):
                return []
        self.low = [min(a, b) for a, b in zip(self.low, low, strict=True)]
        self.high = [max(a, b) for a, b in zip(self.high, high, strict=True)]
        self.blocks += 1
        self._count_turns(q.asked.tolist())
        if self.blocks < STEADY_BLOCKS:
            return []
        minutes = STEADY_BLOCKS * BLOCK_MS / 60_000
        start_ms = q.block.end_ms - STEADY_BLOCKS * BLOCK_MS
        made = Steady(start_ms, q.block.end_ms, self.turns / minutes)
        asked = self.asked
        self._clear()
        return [made] if asked else []

    def _steady(self, low: list[float], high: list[float]) -> bool:
        return (
            max(self.high[0], high[0]) - min(self.low[0], low[0]) <= STEADY_THROTTLE_POINTS
            and max(self.high[1], high[1]) - min(self.low[1], low[1]) <= STEADY_SPEED_KMH
        )

    def _count_turns(self, asked: list[float]) -> None:
        for value in asked:
            self.asked = self.asked or value > ASKED_POINTS
            if self.extreme != self.extreme:
                self.extreme = value
            elif abs(value - self.extreme) > REVERSAL_POINTS:
                way = 1 if value > self.extreme else -1
                self.turns += way != self.rising and self.rising != 0
                self.rising, self.extreme = way, value
            elif (value - self.extreme) * self.rising > 0:
                self.extreme = value


class Band(Kept):
    """What is asked in warm cruise at each speed and load: mean and spread, cell by cell."""

    kept = ("cells",)

    def __init__(self) -> None:
        # "rpm,load" → [frames, mean, sum of squared deviations, last trip, trips]
        self.cells: dict[str, list[float]] = {}

    def step(self, q: Quantities, trip: int, learn: bool) -> FloatArray | None:
        """Points outside the band for each frame, NaN where it is not known or nothing is
        asked; None where the whole block says nothing."""
        eligible = (q.states["cruise"] == 1) & q.settled & (q.asked > ASKED_POINTS)
        if not eligible.any():
            return None
        load, width = load_of(q)
        column = np.full(BLOCK_FRAMES, np.nan)
        where = np.flatnonzero(eligible & ~np.isnan(load))
        asked, rpm, loads = q.asked.tolist(), q.rpm.tolist(), load.tolist()
        for index in where.tolist():
            name = f"{int(rpm[index] // CELL_RPM)},{int(loads[index] // width)}"
            cell = self.cells.get(name)
            if cell is not None and known(cell):
                column[index] = outside(cell, asked[index])
            # What lies outside a known band is not learned, else it would widen until it fits.
            strange = column[index] > 0
            if learn and not strange and (cell is None or cell[0] < CELL_FULL_FRAMES):
                self.cells[name] = taught(cell, asked[index], trip)
        return column


def load_of(q: Quantities) -> tuple[FloatArray, float]:
    """Manifold pressure, else calculated load, and how wide a cell of it is."""
    if not np.isnan(q.map).all():
        return q.map, CELL_KPA
    return q.block.column("load_pct"), CELL_LOAD_PCT


def known(cell: list[float]) -> bool:
    return cell[0] >= CELL_KNOWN_FRAMES and cell[4] >= CELL_KNOWN_TRIPS


def outside(cell: list[float], value: float) -> float:
    """How far outside the cell's band, 0 within."""
    deviation = math.sqrt(cell[2] / cell[0])
    return max(0.0, abs(value - cell[1]) - max(BAND_LEAST_POINTS, BAND_SIGMAS * deviation))


def taught(cell: list[float] | None, value: float, trip: int) -> list[float]:
    """The cell with one more value (Welford's running mean and squares)."""
    n, mean, squares, last, trips = cell or [0.0, 0.0, 0.0, -1.0, 0.0]
    n += 1
    delta = value - mean
    mean += delta / n
    squares += delta * (value - mean)
    return [n, mean, squares, float(trip), trips + (trip != last)]
