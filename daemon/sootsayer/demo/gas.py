"""Ideal gas through openings: the law by which throttle, valve and leaks of the invented car pass.

Isentropic flow of an ideal gas with constant heat capacities, choked below the critical ratio
(the relations of NACA Report 1135). Units SI: Pa, K, m², kg/s.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from sootsayer.model import FloatArray

R_GAS = 287.0  # J/(kg·K), air; burnt gas of petrol differs by under 1 %
GAMMA_AIR = 1.4
GAMMA_BURNT = 1.33
CP_AIR = 1005.0  # J/(kg·K)
CP_BURNT = 1150.0

# Close to equal pressures the square-root law has an infinite slope, which no real opening has:
# within this part of the upstream pressure the flow is taken as proportional to the difference.
LAMINAR_PART = 0.02


class Orifices:
    """Openings side by side, one isentropic exponent each (any shape that broadcasts)."""

    def __init__(self, gamma: npt.ArrayLike) -> None:
        exponent = np.asarray(gamma, dtype=np.float64)
        self._root = 1.0 / exponent
        self._factor = 2.0 * exponent / (exponent - 1.0)
        self.critical: FloatArray = (2.0 / (exponent + 1.0)) ** (exponent / (exponent - 1.0))

    def chord(self, ratio: FloatArray) -> FloatArray:
        """Ψ(ratio) / (1 − ratio), finite everywhere; ratio is downstream over upstream."""
        held = np.minimum(np.maximum(ratio, self.critical), 1.0 - LAMINAR_PART)
        root = held**self._root
        height = np.sqrt(self._factor * root * (root - held))
        chord: FloatArray = height / np.maximum(1.0 - ratio, LAMINAR_PART)
        return chord

    def kg_s(
        self,
        area_m2: npt.ArrayLike,
        up_pa: npt.ArrayLike,
        down_pa: npt.ArrayLike,
        up_k: npt.ArrayLike,
    ) -> FloatArray:
        """Mass flow through effective areas, kg/s."""
        up = np.asarray(up_pa, dtype=np.float64)
        ratio = np.asarray(down_pa, dtype=np.float64) / up
        speed = np.sqrt(R_GAS * np.asarray(up_k, dtype=np.float64))
        flow: FloatArray = np.asarray(area_m2) * up / speed * self.chord(ratio) * (1.0 - ratio)
        return flow
