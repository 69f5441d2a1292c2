"""The recirculation valve and the passage behind it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sootsayer.demo.build import Make, column
from sootsayer.demo.faults import FaultKind, FaultTable
from sootsayer.model import BoolArray, FloatArray

LEAK_MM2 = 8.0  # hole of a leak at severity 1
STUCK_OPEN = 0.25  # of full travel at severity 1
SLOWER = 10.0  # times its lag, added at severity 1
STICTION = 0.20  # of full travel at severity 1: what must be missing before it opens further
SPRING_HELPS = 0.5  # of that is enough when it shuts
SETTLED = 0.01  # so near to where it is going a sticking valve stands again
RESTED_S = 60.0  # standing so long shut, it may have stuck
LOOSENS_S = 20.0  # of pushing at severity 1
PUSHED = 0.08  # an opening asked for that pushes at all
CREPT = 0.10  # of full travel at severity 1
CARBON_FILLS = 0.5  # of the gap that carbon holds open
WEAKER, LAZIER = 0.7, 8.0  # travel missing and lag added with weak vacuum at severity 1
RATTLE = 0.004  # of full travel, one standard deviation of the sensor


class Valve:
    """Travel of n valves, 0 shut to 1 open, and the hole they leave."""

    def __init__(self, makes: Sequence[Make]) -> None:
        self._open_mm2 = column(makes, "valve_mm2")
        self._passage_mm2 = column(makes, "passage_mm2")
        self._lag_s = column(makes, "valve_lag_s")
        self.travel: FloatArray = np.zeros(len(makes))
        self.area_mm2: FloatArray = np.zeros(len(makes))
        self._moving: BoolArray = np.zeros(len(makes), dtype=np.bool_)
        self._rested_s = np.full(len(makes), RESTED_S)
        self._pushed_s = np.zeros(len(makes))

    def step(self, dt_s: float, asked: FloatArray, faults: FaultTable) -> None:
        """Follow ``asked`` (0..1) as far as the faults let it."""
        lag = self._lag_s * (1.0 + SLOWER * faults.of(FaultKind.VALVE_SLOW))
        goal = asked * (1.0 - faults.of(FaultKind.VALVE_STUCK_SHUT))
        goal = np.maximum(goal, STUCK_OPEN * faults.of(FaultKind.VALVE_STUCK_OPEN))
        held = LEAK_MM2 / self._open_mm2 * faults.of(FaultKind.VALVE_LEAKS_SHOWN)
        goal = np.maximum(goal, held)
        if faults.has(FaultKind.VACUUM_WEAK, FaultKind.SHUT_CREEPS):
            weak = faults.of(FaultKind.VACUUM_WEAK)
            lag = lag * (1.0 + LAZIER * weak)
            goal = goal * (1.0 - WEAKER * weak)
            goal = np.maximum(goal, CREPT * faults.of(FaultKind.SHUT_CREEPS))
        if faults.has(FaultKind.VALVE_STICTION):
            goal = self._breaking_away(goal, STICTION * faults.of(FaultKind.VALVE_STICTION))
        if faults.has(FaultKind.VALVE_RESTS_STUCK):
            goal = self._coming_loose(dt_s, goal, faults.of(FaultKind.VALVE_RESTS_STUCK))
        self.travel = self.travel + (goal - self.travel) * (dt_s / (dt_s + lag))
        self.area_mm2 = self._hole_mm2(faults)

    def _breaking_away(self, goal: FloatArray, band: FloatArray) -> FloatArray:
        """It stands until enough is missing, then goes all the way."""
        missing = np.abs(goal - self.travel)
        needed = np.where(goal < self.travel, SPRING_HELPS * band, band)
        self._moving = ((missing > needed) | self._moving) & (missing > SETTLED)
        held: FloatArray = np.where(self._moving | (band <= 0.0), goal, self.travel)
        return held

    def _coming_loose(self, dt_s: float, goal: FloatArray, severity: FloatArray) -> FloatArray:
        """After a rest it must be pushed for a while before it moves at all."""
        pushed = goal > PUSHED
        self._rested_s = np.where(self.travel > PUSHED, 0.0, self._rested_s + dt_s)
        stuck = (self._rested_s >= RESTED_S) & (self._pushed_s < LOOSENS_S * severity)
        self._pushed_s = np.where(stuck, self._pushed_s + dt_s * pushed, self._pushed_s)
        again = (self._rested_s >= RESTED_S) & ~pushed & ~stuck
        self._pushed_s = np.where(again, 0.0, self._pushed_s)
        return np.where(stuck & (severity > 0.0), np.minimum(goal, self.travel), goal)

    def _hole_mm2(self, faults: FaultTable) -> FloatArray:
        lift = self.travel * (1.12 - 0.12 * self.travel)  # a pintle opens a little faster early
        seat = self._open_mm2 * lift
        if faults.has(FaultKind.SHUT_CREEPS):
            gap = np.minimum(self.travel, CREPT * faults.of(FaultKind.SHUT_CREEPS))
            seat = seat - CARBON_FILLS * self._open_mm2 * gap
        seat = np.maximum(seat, LEAK_MM2 * faults.of(FaultKind.VALVE_LEAKS)) + 1e-9
        passage = self._choked_mm2(faults.of(FaultKind.PASSAGE_CHOKED)) + 1e-9
        area: FloatArray = seat * passage / np.sqrt(seat * seat + passage * passage)
        return area

    def _choked_mm2(self, severity: FloatArray) -> FloatArray:
        """Area of the passage that leaves 1 − severity of the clean car's flow, fully open."""
        clean = 1.0 / self._open_mm2**2 + 1.0 / self._passage_mm2**2
        left = np.maximum(1.0 - severity, 1e-6)
        area: FloatArray = 1.0 / np.sqrt(clean / left**2 - 1.0 / self._open_mm2**2)
        return area

    def sensed(self, faults: FaultTable, noise: FloatArray) -> FloatArray:
        """What the position sensor tells the control unit, 0..1 and a little beyond."""
        offset = 0.20 * faults.of(FaultKind.POSITION_OFFSET)
        sensed: FloatArray = self.travel + offset + RATTLE * noise
        return sensed
