"""What happens to the charge: torque, roughness, knock, and the exhaust it leaves behind."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sootsayer.demo.build import Make, column
from sootsayer.model import FloatArray

FUEL_J_KG = 43.5e6
AIR_PER_FUEL = 14.6
EXHAUST_LAG_S = 4.0
MISSED_PART = 0.12  # of cycles that a bad coil leaves unburnt
REFERENCE_K = 850.0


class Exhaust:
    """Pressure and temperature at the place where recirculated gas is taken."""

    def __init__(self, makes: Sequence[Make], outside_pa: FloatArray, temp_k: FloatArray) -> None:
        self._resistance = column(makes, "exhaust_pa_per_kg2_s2")
        self._kept_warm = column(makes, "gas_kept_warm")
        self.temp_k: FloatArray = temp_k.copy()
        self.pa: FloatArray = outside_pa.copy()

    def step(
        self, dt_s: float, out_kg_s: FloatArray, burning: FloatArray, outside_pa: FloatArray
    ) -> None:
        goal = 420.0 + burning * (640.0 - 500.0 * np.exp(out_kg_s / -0.016))
        self.temp_k = self.temp_k + (goal - self.temp_k) * (dt_s / EXHAUST_LAG_S)
        back = self._resistance * out_kg_s * out_kg_s * (self.temp_k / REFERENCE_K)
        self.pa = outside_pa + 250.0 + back

    def at_valve_k(self, coolant_k: FloatArray) -> FloatArray:
        """Temperature of the gas when it reaches the valve."""
        warm: FloatArray = coolant_k + self._kept_warm * np.maximum(self.temp_k - coolant_k, 0.0)
        return warm


class Combustion:
    """Torque of n engines and what dilution does to its steadiness."""

    def __init__(self, makes: Sequence[Make]) -> None:
        self._efficiency = column(makes, "efficiency")
        self._swept = column(makes, "displacement_m3")
        self._friction_pa = column(makes, "friction_pa")
        self.dilution: FloatArray = np.zeros(len(makes))
        self.weak_part: FloatArray = np.zeros(len(makes))  # of cycles that hardly burn

    def best_spark_deg(self, rpm: FloatArray, intake_pa: FloatArray) -> FloatArray:
        """Advance that gives most torque: slow burning charges want to be lit earlier."""
        best: FloatArray = (
            12.0
            + 0.0040 * np.minimum(rpm, 4000.0)
            + (101e3 - np.minimum(intake_pa, 101e3)) * 1.7e-4
            + 45.0 * self.dilution
        )
        return best

    def knock_spark_deg(
        self, rpm: FloatArray, intake_pa: FloatArray, intake_k: FloatArray, burnt_part: FloatArray
    ) -> FloatArray:
        """Advance at which the end gas begins to knock; cool burnt gas moves it away."""
        limit: FloatArray = (
            55.0
            - 4.4e-4 * intake_pa
            + 2.0e-3 * np.minimum(rpm - 1500.0, 3000.0)
            + 70.0 * burnt_part
            - 0.10 * (intake_k - 318.0)
        )
        return limit

    def torque_nm(
        self,
        air_kg: FloatArray,
        fuel_ratio: FloatArray,
        spark_deg: FloatArray,
        rpm: FloatArray,
        intake_pa: FloatArray,
        exhaust_pa: FloatArray,
        burnt_part: FloatArray,
        luck: FloatArray,
        spark_weak: FloatArray | None = None,
    ) -> FloatArray:
        """Indicated torque of one step, pumping not included.

        ``air_kg`` fresh air of a whole cycle, ``fuel_ratio`` fuel over what that air can burn
        (0: none injected), ``luck`` standard normal: how well this step's cycles happened to burn,
        ``spark_weak`` 0..1: a bad coil or plug, worst at the low speeds of idle.
        """
        own_residue = 0.055 + 0.050 * ((exhaust_pa / intake_pa) ** 0.77 - 1.0)
        self.dilution = own_residue + burnt_part
        bearable = 0.285 + 0.055 * np.minimum(rpm / 1800.0, 1.0)
        self.weak_part = 1.0 / (1.0 + np.exp((bearable - self.dilution) * 70.0))
        rough = 0.030 + 1.6 * np.maximum(self.dilution - 0.15, 0.0) ** 1.25
        rough = rough + 9.0 * np.maximum(self.dilution - 0.26, 0.0) ** 1.25  # slow, partial burns
        rough = rough * np.sqrt(720.0 / np.maximum(rpm, 400.0))  # more cycles in one step
        if spark_weak is not None:
            slow = 1.0 + 0.8 * np.maximum(1.0 - rpm / 1600.0, 0.0)
            missed = MISSED_PART * slow * spark_weak * (1.0 + 0.6 * np.tanh(luck))
            self.weak_part = 1.0 - (1.0 - self.weak_part) * (1.0 - missed)
            rough = rough + 0.16 * slow * spark_weak
        off_best = self.best_spark_deg(rpm, intake_pa) - spark_deg
        timing = np.maximum(1.0 - 4.6e-4 * off_best * off_best, 0.3)
        mixture = np.minimum(fuel_ratio, 1.0) - 1.2 * np.maximum(0.86 - fuel_ratio, 0.0)
        burnt = np.maximum(mixture, 0.0) * timing * (1.0 - self.weak_part) * (1.0 + rough * luck)
        slow_loss = 1.0 - 0.10 * 700.0 / np.maximum(rpm, 300.0)
        work_j = self._efficiency * slow_loss * burnt * air_kg * (FUEL_J_KG / AIR_PER_FUEL)
        torque: FloatArray = work_j / (4.0 * np.pi)
        return torque

    def drag_nm(
        self, rpm: FloatArray, intake_pa: FloatArray, exhaust_pa: FloatArray, coolant_k: FloatArray
    ) -> FloatArray:
        """Friction and pumping together; cold oil doubles the first."""
        speed = rpm * 1e-3
        cold = 1.0 + 0.85 * np.exp((278.0 - coolant_k) / 24.0)
        friction = (self._friction_pa + 0.9e4 * speed + 0.4e4 * speed * speed) * cold
        drag: FloatArray = (friction + exhaust_pa - intake_pa) * self._swept / (4.0 * np.pi)
        return drag
