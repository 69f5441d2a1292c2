"""From the crank to the road: converter, four gears, brakes, hills and air."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sootsayer.demo.build import Make, column
from sootsayer.model import BoolArray, FloatArray, IntArray

RATIOS = np.array([2.80, 1.53, 1.00, 0.71])
FINAL_DRIVE = 3.65
KEPT_BY_GEARS = 0.93  # of the torque
RPM_PER_RAD_S = 30.0 / np.pi
GRAVITY_M_S2 = 9.81
ROLLING = 0.012
AIR_KG_M3 = 1.2
BRAKE_M_S2 = 6.0

CONVERTER_NM_PER_RPM2 = 2.6e-5  # stands at about 2200 rpm with 125 Nm
LOCKED_NM_S = 9.0  # the lock-up clutch is a stiff damper
LOCK_ABOVE_KM_H = 58.0
SHIFT_S = 0.6  # how long one gear change disturbs
DWELL_S = 2.5  # no second gear change before this

# Up from gear 1, 2, 3 at light throttle, and how much later at full throttle (km/h).
_UP_KM_H = np.array([17.0, 32.0, 52.0, 999.0])
_UP_MORE_KM_H = np.array([30.0, 55.0, 85.0, 0.0])
_DOWN_KM_H = np.array([0.0, 11.0, 22.0, 42.0])
_DOWN_MORE_KM_H = np.array([0.0, 22.0, 45.0, 62.0])


class Driveline:
    """Crank speed, gear and road speed of n cars."""

    def __init__(self, makes: Sequence[Make]) -> None:
        count = len(makes)
        self._inertia = column(makes, "inertia_kg_m2")
        self._mass = column(makes, "mass_kg")
        self._drag = 0.5 * AIR_KG_M3 * column(makes, "drag_m2")
        self._wheel = column(makes, "wheel_m")
        self.crank_rad_s: FloatArray = np.zeros(count)
        self.speed_m_s: FloatArray = np.zeros(count)
        self.gear: IntArray = np.zeros(count, dtype=np.int64)  # 0 is first
        self.since_shift_s: FloatArray = np.full(count, 10.0)
        self.load_nm: FloatArray = np.zeros(count)

    @property
    def rpm(self) -> FloatArray:
        return self.crank_rad_s * RPM_PER_RAD_S

    @property
    def speed_km_h(self) -> FloatArray:
        return self.speed_m_s * 3.6

    def overall(self) -> FloatArray:
        """Turns of the turbine per turn of the wheel."""
        ratio: FloatArray = RATIOS[self.gear] * FINAL_DRIVE
        return ratio

    @property
    def braking_n(self) -> FloatArray:
        """Force of the fully pressed brake."""
        return self._mass * BRAKE_M_S2

    def choose_gear(self, dt_s: float, pedal: FloatArray) -> None:
        """Automatic gears by speed and pedal; call every few tenths of a second."""
        self.since_shift_s = self.since_shift_s + dt_s
        speed = self.speed_km_h
        push = np.maximum(pedal - 0.12, 0.0) * 1.15
        up = speed > _UP_KM_H[self.gear] + _UP_MORE_KM_H[self.gear] * push
        down = speed < _DOWN_KM_H[self.gear] + _DOWN_MORE_KM_H[self.gear] * push
        free = self.since_shift_s > DWELL_S
        move = np.where(up, 1, np.where(down, -1, 0)) * free
        self.gear = np.clip(self.gear + move, 0, len(RATIOS) - 1)
        self.since_shift_s = np.where(move != 0, 0.0, self.since_shift_s)

    def step(
        self,
        dt_s: float,
        torque_nm: FloatArray,
        drag_nm: FloatArray,
        engaged: BoolArray,
        brake: FloatArray,
        slope: FloatArray,
    ) -> None:
        """Advance crank and car; the coupling is implicit in the crank's speed."""
        overall = self.overall()
        crank = self.crank_rad_s
        turbine = self.speed_m_s / self._wheel * overall
        pump_nm, stiffness = self._converter(crank, turbine, engaged)
        net = torque_nm - drag_nm - pump_nm
        crank = crank + dt_s * net / (self._inertia + dt_s * stiffness)
        pump_nm = pump_nm + stiffness * (crank - self.crank_rad_s)
        self.crank_rad_s = np.maximum(crank, 0.0)
        self.load_nm = pump_nm
        gain = 1.0 + 0.85 * np.maximum(1.0 - turbine / np.maximum(crank, 40.0) / 0.88, 0.0)
        push_n = pump_nm * gain * overall * KEPT_BY_GEARS / self._wheel
        self._roll(dt_s, push_n, brake, slope)

    def _converter(
        self, crank: FloatArray, turbine: FloatArray, engaged: BoolArray
    ) -> tuple[FloatArray, FloatArray]:
        slip = crank - turbine
        fast = np.maximum(np.maximum(crank, turbine), 20.0)
        # The impeller's torque grows with the square of its speed and fades as the turbine catches
        # up; written as a damper whose strength follows from both, so that it works backward too.
        strength = (CONVERTER_NM_PER_RPM2 * RPM_PER_RAD_S**2) * fast
        easing = 1.0 + 1.9 * np.maximum(1.0 - np.abs(slip) / fast, 0.0) ** 2
        locked = (self.speed_m_s > LOCK_ABOVE_KM_H / 3.6) & (self.since_shift_s > SHIFT_S)
        damper = (strength * easing + LOCKED_NM_S * locked) * engaged
        return damper * slip, damper

    def _roll(self, dt_s: float, push_n: FloatArray, brake: FloatArray, slope: FloatArray) -> None:
        speed = self.speed_m_s
        held_n = self._mass * (GRAVITY_M_S2 * ROLLING + BRAKE_M_S2 * brake)
        pull = push_n - self._drag * speed * speed - self._mass * GRAVITY_M_S2 * slope
        moving = speed > 0.05
        pull = np.where(moving, pull - held_n, np.maximum(np.abs(pull) - held_n, 0.0) * (pull > 0))
        self.speed_m_s = np.maximum(speed + dt_s * pull / (self._mass * 1.05), 0.0)

    def needed_n(self, accel_m_s2: FloatArray, slope: FloatArray) -> FloatArray:
        """Force at the wheels for an acceleration on this slope."""
        still: FloatArray = (
            self._mass * (accel_m_s2 * 1.05 + GRAVITY_M_S2 * (slope + ROLLING))
            + self._drag * self.speed_m_s * self.speed_m_s
        )
        return still
