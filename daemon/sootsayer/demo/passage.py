"""The recirculation passage's wall, and the thermistor that sits in it."""

from __future__ import annotations

import numpy as np

from sootsayer.model import FloatArray

HEATS_S, COOLS_S = 32.0, 110.0  # with gas, without
SENSES_S = 5.0
FULL_G_S = 1.2  # at this much gas the sensor comes half way to the gas's temperature
WALL_OVER_BAY_K = 28.0  # hot metal nearby
COKED_FEELS = 0.95  # of the rise that is missing at severity 1


class Passage:
    """Temperatures in kelvin, arrays of shape (n,)."""

    def __init__(self, start_k: FloatArray) -> None:
        self.wall_k: FloatArray = start_k.copy()
        self._sensed_k: FloatArray = start_k.copy()

    def step(
        self,
        dt_s: float,
        gas_kg_s: FloatArray,
        gas_k: FloatArray,
        bay_k: FloatArray,
        coked: FloatArray,
    ) -> None:
        """One step; ``coked`` 0..1: how much of the heat a layer of carbon keeps off."""
        gas_g_s = np.maximum(gas_kg_s, 0.0) * 1e3
        touched = gas_g_s / (gas_g_s + FULL_G_S)
        rest_k = bay_k + WALL_OVER_BAY_K
        goal = rest_k + touched * np.maximum(gas_k - rest_k, 0.0)
        lag_s = np.where(goal > self.wall_k, HEATS_S, COOLS_S)
        self.wall_k = self.wall_k + (goal - self.wall_k) * (dt_s / lag_s)
        feels = bay_k + (self.wall_k - bay_k) * (1.0 - COKED_FEELS * coked)
        slower_s = SENSES_S * (1.0 + 8.0 * coked)
        self._sensed_k = self._sensed_k + (feels - self._sensed_k) * (dt_s / slower_s)

    @property
    def sensed_k(self) -> FloatArray:
        return self._sensed_k
