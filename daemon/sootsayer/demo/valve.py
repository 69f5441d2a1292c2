"""The recirculation valve and the passage behind it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sootsayer.demo.build import Make, column
from sootsayer.demo.faults import FaultKind, FaultTable
from sootsayer.model import FloatArray

LEAK_MM2 = 8.0  # hole of a leak at severity 1
STUCK_OPEN = 0.25  # of full travel at severity 1
SLOWER = 10.0  # times its lag, added at severity 1
RATTLE = 0.004  # of full travel, one standard deviation of the sensor


class Valve:
    """Travel of n valves, 0 shut to 1 open, and the hole they leave."""

    def __init__(self, makes: Sequence[Make]) -> None:
        self._open_mm2 = column(makes, "valve_mm2")
        self._passage_mm2 = column(makes, "passage_mm2")
        self._lag_s = column(makes, "valve_lag_s")
        self.travel: FloatArray = np.zeros(len(makes))
        self.area_mm2: FloatArray = np.zeros(len(makes))

    def step(self, dt_s: float, asked: FloatArray, faults: FaultTable) -> None:
        """Follow ``asked`` (0..1) as far as the faults let it."""
        lag = self._lag_s * (1.0 + SLOWER * faults.of(FaultKind.VALVE_SLOW))
        goal = asked * (1.0 - faults.of(FaultKind.VALVE_STUCK_SHUT))
        goal = np.maximum(goal, STUCK_OPEN * faults.of(FaultKind.VALVE_STUCK_OPEN))
        held = LEAK_MM2 / self._open_mm2 * faults.of(FaultKind.VALVE_LEAKS_SHOWN)
        goal = np.maximum(goal, held)
        self.travel = self.travel + (goal - self.travel) * (dt_s / (dt_s + lag))
        self.area_mm2 = self._hole_mm2(faults)

    def _hole_mm2(self, faults: FaultTable) -> FloatArray:
        lift = self.travel * (1.12 - 0.12 * self.travel)  # a pintle opens a little faster early
        seat = self._open_mm2 * lift
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
