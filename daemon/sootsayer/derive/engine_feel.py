"""What the engine shows trip by trip beside its idle: trims at idle and in cruise, and heat."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sootsayer.derive.frames import FRAME_S
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities

OPEN_POINTS = 4.0
CLOSED_LOOP = 2.0  # SAE J1979 PID 03: trims mean something only then
IDLE_LEAST_S = 15.0
CRUISE_LEAST_S = 30.0
HEAT_STRETCH_FRAMES = 600  # five warm minutes are one chance to run hot
HOT_C = 110.0  # rule E6
HEAT_CRUISE_FRAMES = 60


@dataclass(frozen=True, slots=True)
class TripTrims:
    """Sum of short and long trim over one trip, in %; NaN where not enough was seen."""

    start_ms: int
    end_ms: int
    idle_pct: float
    cruise_pct: float
    cruise_open_pct: float
    cruise_shut_pct: float


class Trims(Kept):
    """Sums a trip's trims in closed loop: warm idle, cruise with the valve open, and shut."""

    kept = ("trip", "start_ms", "end_ms", "sums")

    def __init__(self) -> None:
        self.trip = 0
        self.start_ms = 0
        self.end_ms = 0
        self.sums: dict[str, list[float]] = {}  # where → [frames, sum]

    def step(self, q: Quantities, trip: int) -> list[TripTrims]:
        made: list[TripTrims] = []
        if trip != self.trip:
            made = self._close()
            self.trip, self.start_ms, self.sums = trip, q.block.start_ms, {}
        self.end_ms = q.block.end_ms
        short = q.block.columns.get("shrtft1")
        if short is None or "longft1" not in q.block.columns:
            return made
        idle, cruise = q.states["idle"] == 1, (q.states["cruise"] == 1) & q.settled
        if not idle.any() and not cruise.any():
            return made
        trim = short + q.block.columns["longft1"]
        loop = q.block.columns.get("fuelsys1")
        known = ~np.isnan(trim) if loop is None else ~np.isnan(trim) & (loop == CLOSED_LOOP)
        self._add("idle", trim[idle & known])
        self._add("open", trim[cruise & known & (q.asked > OPEN_POINTS)])
        self._add("shut", trim[cruise & known & ~(q.asked > OPEN_POINTS)])
        return made

    def _add(self, where: str, values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> None:
        if len(values):
            sums = self.sums.setdefault(where, [0.0, 0.0])
            sums[0] += len(values)
            sums[1] += float(values.sum())

    def _close(self) -> list[TripTrims]:
        n_open, sum_open = self.sums.get("open", [0.0, 0.0])
        n_shut, sum_shut = self.sums.get("shut", [0.0, 0.0])
        n_idle, sum_idle = self.sums.get("idle", [0.0, 0.0])
        idle = _mean(n_idle, sum_idle, IDLE_LEAST_S)
        cruise = _mean(n_open + n_shut, sum_open + sum_shut, CRUISE_LEAST_S)
        if np.isnan(idle) or np.isnan(cruise):
            return []
        return [
            TripTrims(self.start_ms, self.end_ms, idle, cruise,
                      _mean(n_open, sum_open, CRUISE_LEAST_S),
                      _mean(n_shut, sum_shut, CRUISE_LEAST_S))
        ]  # fmt: skip


def _mean(frames: float, whole: float, least_s: float) -> float:
    return whole / frames if frames * FRAME_S >= least_s else float("nan")


@dataclass(frozen=True, slots=True)
class HeatStretch:
    """Five warm minutes: longest time above the hot limit, mean coolant in cruise (NaN where
    there was too little of it)."""

    start_ms: int
    end_ms: int
    hot_s: float
    cruise_ect_c: float


class Heat(Kept):
    """Collects warm running in stretches of five minutes."""

    kept = ("start_ms", "frames", "hot", "hottest", "cruise", "ect_sum")

    def __init__(self) -> None:
        self.hot = 0
        self._clear()

    def _clear(self) -> None:
        self.start_ms: int | None = None
        self.frames = 0
        self.hottest = 0
        self.cruise = 0
        self.ect_sum = 0.0

    def step(self, q: Quantities) -> list[HeatStretch]:
        warm = q.running() & (q.states["warm"] == 1)
        count = int(np.count_nonzero(warm))
        if not count:
            return []
        if self.start_ms is None:
            self.start_ms = q.block.start_ms
        self.frames += count
        if float(np.fmax.reduce(q.ect)) > HOT_C:
            for ect in q.ect.tolist():
                self.hot = self.hot + 1 if ect > HOT_C else 0
                self.hottest = max(self.hottest, self.hot)
        else:
            self.hot = 0
        cruise = warm & (q.states["cruise"] == 1)
        self.cruise += int(np.count_nonzero(cruise))
        self.ect_sum += float(q.ect[cruise].sum())
        if self.frames < HEAT_STRETCH_FRAMES:
            return []
        enough = self.cruise >= HEAT_CRUISE_FRAMES
        mean = self.ect_sum / self.cruise if enough else float("nan")
        made = HeatStretch(self.start_ms, q.block.end_ms, self.hottest * FRAME_S, mean)
        self._clear()
        return [made]
