"""The slow temperatures: coolant, engine bay, the air that the engine draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sootsayer.demo.build import Make, column
from sootsayer.demo.combustion import FUEL_J_KG
from sootsayer.model import FloatArray
from sootsayer.units import KELVIN_AT_0_C

HEAT_J_K = 62e3  # block, head and coolant
TO_COOLANT = 0.30  # of the fuel's energy
BLOCK_W_K = 38.0  # block to outside
RADIATOR_W_K = 520.0
THERMOSTAT_SPAN_K = 8.0
TIRED_OPENS_K = 60.0 + KELVIN_AT_0_C
FAN_ON_C = 99.0
BAY_LAG_S = 520.0


@dataclass(frozen=True, slots=True)
class Weather:
    """What the car stands in."""

    outside_c: float = 14.0
    baro_kpa: float = 99.5


# 2,000 m up: ISO 2533 standard atmosphere, 2.0 °C and 79.50 kPa.
MOUNTAIN = Weather(2.0, 79.5)


class Warmth:
    """Temperatures of n cars in kelvin."""

    def __init__(
        self,
        makes: Sequence[Make],
        weather: Sequence[Weather],
        coolant_c: FloatArray,
        bay_c: FloatArray,
    ) -> None:
        self.outside_k = np.array([w.outside_c for w in weather]) + KELVIN_AT_0_C
        self.outside_pa = np.array([w.baro_kpa for w in weather]) * 1e3
        self._opens_k = column(makes, "thermostat_c") + KELVIN_AT_0_C
        self.coolant_k: FloatArray = coolant_c + KELVIN_AT_0_C
        self.bay_k: FloatArray = bay_c + KELVIN_AT_0_C
        self.drawn_k: FloatArray = self.outside_k.copy()
        self._fan = np.zeros(len(makes))

    def step(
        self,
        dt_s: float,
        fuel_kg_s: FloatArray,
        speed_m_s: FloatArray,
        stays_open: FloatArray | float = 0.0,
    ) -> None:
        """``stays_open`` 0..1: how far a tired thermostat opens too early."""
        over = self.coolant_k - self.outside_k
        opens_k = self._opens_k + stays_open * (TIRED_OPENS_K - self._opens_k)
        opening = np.clip((self.coolant_k - opens_k) / THERMOSTAT_SPAN_K, 0.0, 1.0)
        on = self.coolant_k - KELVIN_AT_0_C > FAN_ON_C - 5.0 * self._fan
        self._fan = np.where(on, 1.0, 0.0)
        wind = 0.18 + np.minimum(speed_m_s / 22.0, 1.0) + 0.6 * self._fan
        lost_w = over * (BLOCK_W_K * (0.5 + wind) + RADIATOR_W_K * opening * wind)
        gained_w = TO_COOLANT * FUEL_J_KG * fuel_kg_s
        self.coolant_k = self.coolant_k + dt_s * (gained_w - lost_w) / HEAT_J_K
        swept = 1.0 - 0.55 * np.minimum(speed_m_s / 28.0, 1.0)
        goal = self.outside_k + 0.62 * (self.coolant_k - self.outside_k) * swept
        self.bay_k = self.bay_k + (goal - self.bay_k) * (dt_s / BAY_LAG_S)

    def air(self, air_kg_s: FloatArray) -> FloatArray:
        """Temperature of the air before the throttle; slow air is warmed by the engine bay."""
        taken = 0.45 / (1.0 + air_kg_s / 0.006)
        self.drawn_k = self.outside_k + taken * (self.bay_k - self.outside_k)
        return self.drawn_k
