"""The invented control unit's recirculation side: when it permits gas and how much it asks for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sootsayer.demo.build import Feedback, Make, column, flags
from sootsayer.demo.engine_control import Sensed
from sootsayer.demo.faults import FaultKind, FaultTable
from sootsayer.model import BoolArray, FloatArray

MOST_ASKED = 0.40
WARM_C = 66.0
AFTER_START_S = 45.0
ABOVE_KM_H = 30.0
SETTLING_S = 1.2  # conditions must hold this long before it opens
SHIFT_S = 0.7
OPENING_PER_S = 0.8
SHUTTING_PER_S = 2.0
LEAST_CHANGE = 0.012  # it does not chase smaller changes of its own map
LEAST_ASKED = 0.06  # it does not open for less
LEAST_KEPT = 0.02  # and does not stay open for less
PEDAL = (0.035, 0.55)
SPEED_RPM = (1000.0, 1300.0, 3000.0, 3500.0)  # nothing, all, all, nothing
FILL = (0.13, 0.42, 0.64, 0.80)  # of a full cylinder, likewise
WRONGLY_ASKED = 0.35
SHUT_BELOW = 0.015  # measured travel that the control unit still calls shut
NOMINAL_GAS_G_S = 8.7  # through the fully open valve of the nominal car
MENDS_PER_S = 0.7  # with pressure feedback: so fast it drives the valve to the gas it asks for
MENDS_WITHIN = (0.6, 1.6)  # times the nominal travel, and no farther


class EgrControl:
    """Permission, command and expectation of n control units."""

    def __init__(self, makes: Sequence[Make]) -> None:
        count = len(makes)
        self._full_kg = column(makes, "displacement_m3") * 1.17  # cold air at sea level
        self._echo = flags([m.feedback is Feedback.ECHO for m in makes])
        self._by_pressure = flags([m.feedback is Feedback.PRESSURE for m in makes])
        self._held_s = np.zeros(count)
        self._would: BoolArray = np.zeros(count, dtype=np.bool_)
        self.asked: FloatArray = np.zeros(count)
        self.in_drive: BoolArray = np.zeros(count, dtype=np.bool_)
        self.opening: BoolArray = np.zeros(count, dtype=np.bool_)  # conditions began to hold
        self.gas_due: FloatArray = np.zeros(count)  # mass fraction counted on
        self._felt: FloatArray = np.zeros(count)
        self._travel_ratio: FloatArray = np.ones(count)

    def step(
        self,
        dt_s: float,
        sensed: Sensed,
        air_kg: FloatArray,
        engaged: BoolArray,
        since_shift_s: FloatArray,
        cut: BoolArray,
        forced_shut: BoolArray,
        faults: FaultTable,
    ) -> None:
        fill = air_kg / self._full_kg
        self.in_drive = engaged & (faults.of(FaultKind.GEAR_INPUT) < 0.5)
        would = self._conditions(sensed, since_shift_s) & ~cut
        self.opening = would & ~self._would
        self._would = would
        allowed = would & self.in_drive
        self._held_s = (self._held_s + dt_s) * allowed
        wanted = MOST_ASKED * _table(sensed.rpm, SPEED_RPM) * _table(fill, FILL)
        wanted = wanted * ((self._held_s > SETTLING_S) & ~forced_shut)
        wrong = faults.of(FaultKind.ASKED_WRONG) * ((sensed.rpm > 1100.0) & ~cut)
        wanted = np.maximum(wanted, WRONGLY_ASKED * wrong)
        wanted = wanted * (wanted > np.where(self.asked > 0.0, LEAST_KEPT, LEAST_ASKED))
        self._move(dt_s, wanted)
        if self._by_pressure.any():
            self._mend(dt_s)
        self._expect(air_kg * sensed.rpm / 0.12)

    def _conditions(self, sensed: Sensed, since_shift_s: FloatArray) -> BoolArray:
        fits: BoolArray = (
            (sensed.coolant_c > WARM_C)
            & (sensed.run_s > AFTER_START_S)
            & (sensed.speed_km_h > ABOVE_KM_H)
            & (sensed.pedal > PEDAL[0])
            & (sensed.pedal < PEDAL[1])
            & (since_shift_s > SHIFT_S)
        )
        return fits

    def _move(self, dt_s: float, wanted: FloatArray) -> None:
        change = wanted - self.asked
        settle = (np.abs(change) < LEAST_CHANGE) & (wanted > 0.0)
        change = np.minimum(np.maximum(change, -SHUTTING_PER_S * dt_s), OPENING_PER_S * dt_s)
        self.asked = np.maximum(self.asked + change * ~settle, 0.0)

    @property
    def driven(self) -> FloatArray:
        """Travel to which it drives the valve, 0..1; with pressure feedback not what it asks."""
        driven: FloatArray = np.minimum(self.asked * self._travel_ratio, 1.0)
        return driven

    def _mend(self, dt_s: float) -> None:
        """Drive the valve farther while less gas is felt than asked for, and the reverse."""
        short = (self.asked - self._felt) / np.maximum(self.asked, 0.1)
        learns = self._by_pressure & (self.asked > LEAST_ASKED)
        changed = self._travel_ratio + MENDS_PER_S * dt_s * short * learns
        self._travel_ratio = np.minimum(np.maximum(changed, MENDS_WITHIN[0]), MENDS_WITHIN[1])

    def _expect(self, air_g_s: FloatArray) -> None:
        gas = NOMINAL_GAS_G_S * self.asked * (1.12 - 0.12 * self.asked)
        self.gas_due = gas / (gas + np.maximum(air_g_s, 1.0))

    def actual(
        self, travel_sensed: FloatArray, gas_g_s: FloatArray, part_felt: FloatArray
    ) -> FloatArray:
        """Valve position as the control unit reports it, 0..1.

        With pressure feedback it is the position that ``gas_g_s`` would need on the nominal car,
        by the root of the pressure it feels, ``part_felt`` of the true one.
        """
        shown: FloatArray = np.where(
            self._echo, self.asked, np.minimum(np.maximum(travel_sensed, 0.0), 1.0)
        )
        if self._by_pressure.any():
            felt = gas_g_s / NOMINAL_GAS_G_S * np.sqrt(part_felt)
            self._felt = np.minimum(felt, 1.0)
            shown = np.where(self._by_pressure, self._felt, shown)
        return shown * (shown > SHUT_BELOW)

    def error_pct(self, actual: FloatArray) -> FloatArray:
        """EGR_ERR by the rules of SAE J1979: against the command, saturated when that is 0."""
        against = 100.0 * (actual - self.asked) / np.maximum(self.asked, 1e-3)
        unasked = np.where(actual > 0.0, 100.0, 0.0)
        error: FloatArray = np.where(self.asked > 0.002, against, unasked)
        return error


def _table(value: FloatArray, corners: tuple[float, float, float, float]) -> FloatArray:
    """1 between the inner corners, falling to 0 at the outer ones."""
    rise = (value - corners[0]) / (corners[1] - corners[0])
    fall = (corners[3] - value) / (corners[3] - corners[2])
    height: FloatArray = np.maximum(np.minimum(np.minimum(rise, fall), 1.0), 0.0)
    return height
