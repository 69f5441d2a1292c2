"""The intake manifold: air and burnt gas flow in, the cylinders draw the mixture out.

Three streams enter, in this order: air past the throttle, burnt gas through the recirculation
valve, air through a leak. The two masses are the state, so nothing is gained or lost.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sootsayer.demo.build import Make, column
from sootsayer.demo.gas import CP_AIR, CP_BURNT, GAMMA_AIR, GAMMA_BURNT, R_GAS, Orifices
from sootsayer.model import FloatArray

THROTTLE, VALVE, LEAK = 0, 1, 2
MIXING_S = 0.3  # the charge settles to a new mixing temperature about this fast
HEATED_AT_KG_S = 0.015
MM2_PER_M2 = 1e6

_HEAT = np.array([[CP_AIR], [CP_BURNT], [CP_AIR]])
_KAPPA = 1.0 / 1.3  # residual gas expands by this power of the pressure ratio


class Manifold:
    """State of n manifolds; all arrays of shape (n,), streams of shape (3, n)."""

    def __init__(self, makes: Sequence[Make], pressure_pa: FloatArray, temp_k: FloatArray) -> None:
        self._volume = column(makes, "manifold_m3")
        self._swept = column(makes, "displacement_m3")
        self._squeeze = column(makes, "compression")
        self._breathing = column(makes, "breathing")
        self._tuned_rpm = column(makes, "breathing_speed_rpm")
        self._fall = column(makes, "breathing_fall")
        self._port_heat = column(makes, "port_heat")
        self._orifices = Orifices(np.array([[GAMMA_AIR], [GAMMA_BURNT], [GAMMA_AIR]]))
        self.temp_k: FloatArray = temp_k.copy()
        self.pa: FloatArray = pressure_pa.copy()
        self.air_kg: FloatArray = pressure_pa * self._volume / (R_GAS * temp_k)
        self.burnt_kg: FloatArray = np.zeros_like(temp_k)
        self.flows_kg_s: FloatArray = np.zeros((3, len(makes)))
        self.drawn_kg_s: FloatArray = np.zeros(len(makes))
        self.burnt_part: FloatArray = np.zeros(len(makes))

    def filling(self, rpm: FloatArray, exhaust_pa: FloatArray) -> FloatArray:
        """Volumetric efficiency against manifold density.

        Burnt gas left in the clearance at exhaust pressure expands and takes room, the more so
        the lower the manifold pressure; the runners fill best near one speed.
        """
        off = rpm / self._tuned_rpm - 1.0
        tuned = self._breathing * (1.0 - self._fall * off * off / (1.0 + 0.8 * off * off))
        held_back = (exhaust_pa / self.pa) ** _KAPPA
        room = (self._squeeze - held_back) / (self._squeeze - 1.0)
        filling: FloatArray = tuned * np.maximum(room, 0.05)
        return filling

    def cylinder_air_kg(self, filling: FloatArray) -> FloatArray:
        """Fresh air all cylinders together draw in one cycle (two turns), kg."""
        caught: FloatArray = filling * self._swept / self._volume * self.air_kg
        return caught

    def step(
        self,
        dt_s: float,
        area_mm2: FloatArray,
        up_pa: FloatArray,
        up_k: FloatArray,
        wall_k: FloatArray,
        rpm: FloatArray,
        filling: FloatArray,
    ) -> None:
        """Advance by ``dt_s``: implicit in the pressure, so any throttle and speed is stable."""
        part_drawn = filling * self._swept * rpm / (120.0 * self._volume)  # of the mass, 1/s
        per_kg = R_GAS * self.temp_k / self._volume  # Pa per kg held
        conductance = area_mm2 / (MM2_PER_M2 * np.sqrt(R_GAS * up_k))
        mass = self.air_kg + self.burnt_kg
        pressure = mass * per_kg
        for _ in range(2):  # flows are taken at the pressure that they lead to
            slope = conductance * self._orifices.chord(pressure / up_pa)
            pressure = (mass + dt_s * (slope * up_pa).sum(axis=0)) / (
                (1.0 + dt_s * part_drawn) / per_kg + dt_s * slope.sum(axis=0)
            )
        flows = slope * (up_pa - pressure)
        kept = 1.0 / (1.0 + dt_s * part_drawn)
        self.burnt_kg = (self.burnt_kg + dt_s * flows[VALVE]) * kept
        self.air_kg = (self.air_kg + dt_s * (flows[THROTTLE] + flows[LEAK])) * kept
        mass = self.air_kg + self.burnt_kg
        self.flows_kg_s = flows
        self.drawn_kg_s = part_drawn * mass
        self.burnt_part = self.burnt_kg / mass
        self._mix(dt_s, flows, up_k, wall_k)
        self.pa = mass * R_GAS * self.temp_k / self._volume

    def _mix(self, dt_s: float, flows: FloatArray, up_k: FloatArray, wall_k: FloatArray) -> None:
        heat = np.maximum(flows, 1e-7) * _HEAT
        mixed = (heat * up_k).sum(axis=0) / heat.sum(axis=0)
        through = np.maximum(self.drawn_kg_s, 1e-4) / HEATED_AT_KG_S
        taken = self._port_heat * through**-0.4
        goal = mixed + np.minimum(taken, 0.5) * (wall_k - mixed)
        self.temp_k = self.temp_k + (goal - self.temp_k) * (dt_s / (dt_s + MIXING_S))
