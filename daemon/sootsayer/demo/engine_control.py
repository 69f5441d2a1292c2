"""The invented control unit's engine side: throttle, idle, fuel and spark.

It knows only what its sensors tell and what was calibrated on the nominal car of the line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sootsayer.demo.build import Make, Metering, column, flags
from sootsayer.demo.gas import R_GAS
from sootsayer.demo.manifold import Manifold
from sootsayer.model import BoolArray, FloatArray

REST_RAD = np.radians(7.0)  # angle of the shut plate
PLATE_COEFFICIENT = 0.80
TRAVEL_PCT = 68.0  # throttle reading between shut and wide open

IDLE_MM2 = (1.0, 70.0)
IDLE_GAIN_MM2_RPM = 0.010
IDLE_RESET_MM2_RPM_S = 0.010
STARVED_PART = 0.93
IDLE_SPARK_DEG = 11.0
IDLE_SPARK_GAIN = 0.055  # degrees per rpm, the quick half of the governor
IDLE_SPARK_REACH = 9.0
IDLE_SPARK_WITHIN_RPM = 250.0

CUT_ABOVE_RPM = 1550.0
CUT_UNTIL_RPM = 1150.0
STARTING_S = 2.5
CLOSED_LOOP_ABOVE_C = 35.0
CLOSED_LOOP_AFTER_S = 25.0
TRIM_STEP = 0.013  # of the fuel, at each turn of the oxygen sensor
TRIM_RAMP_S = 0.035
TRIM_REACH = 0.25
LEARN_S = 45.0
LEARNED_REACH = 0.30

KNOCK_STEP = 8.0  # degrees per second and degree too far
KNOCK_RETURN_S = 0.45
KNOCK_REACH_DEG = 12.0


@dataclass(frozen=True, slots=True)
class Sensed:
    """What the control unit's sensors say now; arrays of shape (n,)."""

    rpm: FloatArray
    intake_kpa: FloatArray
    air_g_s: FloatArray
    coolant_c: FloatArray
    intake_c: FloatArray
    speed_km_h: FloatArray
    pedal: FloatArray
    run_s: FloatArray


class Throttle:
    """The plate and the air that the idle governor lets by."""

    def __init__(self, makes: Sequence[Make]) -> None:
        bore = column(makes, "throttle_bore_m")
        self._full_mm2 = PLATE_COEFFICIENT * np.pi / 4.0 * bore**2 * 1e6
        self._past_mm2 = column(makes, "throttle_leak_mm2")
        self._electronic = flags([m.electronic_throttle for m in makes])
        self._idle_rpm = column(makes, "idle_rpm")
        self.idle_mm2: FloatArray = np.full(len(makes), 14.0)
        self.open_part: FloatArray = np.zeros(len(makes))  # as the sensor sees the plate
        self.area_mm2: FloatArray = np.zeros(len(makes))
        self._plate: FloatArray = np.zeros(len(makes))

    def wanted_rpm(self, coolant_c: FloatArray) -> FloatArray:
        fast: FloatArray = self._idle_rpm + np.maximum(60.0 - coolant_c, 0.0) * 7.5
        return fast

    def step(
        self,
        dt_s: float,
        sensed: Sensed,
        idling: BoolArray,
        cranking: BoolArray,
        starved: FloatArray | float = 0.0,
    ) -> None:
        """``starved`` 0..1: how much of the idle air fails to come."""
        error = self.wanted_rpm(sensed.coolant_c) - sensed.rpm
        reset = np.maximum(np.minimum(error, 120.0), -120.0) * IDLE_RESET_MM2_RPM_S * dt_s
        self.idle_mm2 = np.minimum(
            np.maximum(self.idle_mm2 + reset * idling, IDLE_MM2[0]), IDLE_MM2[1]
        )
        quick = np.maximum(np.minimum(error * IDLE_GAIN_MM2_RPM, 6.0), -4.0) * idling
        by_idle = np.maximum(self.idle_mm2 + quick + 8.0 * cranking, IDLE_MM2[0])
        by_idle = by_idle * (1.0 - STARVED_PART * starved)
        self._plate = self._plate + (sensed.pedal - self._plate) * (dt_s / (dt_s + 0.06))
        by_plate = self._full_mm2 * (
            1.0 - np.cos(REST_RAD + (np.pi / 2 - REST_RAD) * self._plate) / np.cos(REST_RAD)
        )
        self.area_mm2 = by_plate + by_idle + self._past_mm2
        turned = np.minimum((by_plate + by_idle) / self._full_mm2, 1.0)
        angle = np.arccos((1.0 - turned) * np.cos(REST_RAD))
        both = (angle - REST_RAD) / (np.pi / 2 - REST_RAD)
        self.open_part = np.where(self._electronic, both, self._plate)


class Fuel:
    """How much fuel the control unit injects for the air it believes in, and how it learns."""

    def __init__(self, makes: Sequence[Make], learned: FloatArray) -> None:
        count = len(makes)
        self._by_pressure = flags([m.metering is Metering.MAP for m in makes])
        self._swept = column(makes, "displacement_m3")
        self._nominal = Manifold([Make()] * count, np.full(count, 5e4), np.full(count, 320.0))
        self._flow = np.zeros(count)
        self._oxygen = np.ones(count)
        self._ramp = np.zeros(count)
        self.short: FloatArray = np.zeros(count)
        self.learned: FloatArray = learned.copy()  # (2, n): idle, driving
        self.cut: BoolArray = np.zeros(count, dtype=np.bool_)
        self.closed_loop: BoolArray = np.zeros(count, dtype=np.bool_)
        self.air_kg: FloatArray = np.zeros(count)  # believed, per cycle

    def believe(self, dt_s: float, sensed: Sensed, gas_due: FloatArray) -> None:
        """Set ``air_kg`` from the flow meter or from pressure and speed."""
        self._flow = self._flow + (sensed.air_g_s - self._flow) * (dt_s / (dt_s + 0.10))
        rpm = np.maximum(sensed.rpm, 150.0)
        self.air_kg = self._flow * (0.120 / rpm)
        if self._by_pressure.any():
            self.air_kg = np.where(
                self._by_pressure, self._from_pressure(sensed, gas_due), self.air_kg
            )

    def _from_pressure(self, sensed: Sensed, gas_due: FloatArray) -> FloatArray:
        intake_k = sensed.intake_c + 273.15
        charge_k = intake_k + 0.07 * (sensed.coolant_c + 273.15 - intake_k) + 340.0 * gas_due
        self._nominal.pa = np.maximum(sensed.intake_kpa, 10.0) * 1e3
        filling = self._nominal.filling(np.maximum(sensed.rpm, 150.0), np.full_like(intake_k, 1e5))
        density = self._nominal.pa / (R_GAS * charge_k)
        air: FloatArray = filling * density * self._swept * (1.0 - gas_due)
        return air

    def decide(self, sensed: Sensed) -> None:
        """Fuel cut and closed loop; call at each step before ``ratio``."""
        lifted = (sensed.pedal < 0.012) & (sensed.coolant_c > 30.0) & (sensed.speed_km_h > 8.0)
        limit = np.where(self.cut, CUT_UNTIL_RPM, CUT_ABOVE_RPM)
        self.cut = lifted & (sensed.rpm > limit)
        self.closed_loop = (
            (sensed.coolant_c > CLOSED_LOOP_ABOVE_C)
            & (sensed.run_s > CLOSED_LOOP_AFTER_S)
            & ~self.cut
            & (sensed.pedal < 0.72)
        )

    def trim(self, idling: BoolArray) -> FloatArray:
        """Long term trim of the cell in use."""
        cell: FloatArray = np.where(idling, self.learned[0], self.learned[1])
        return cell

    def ratio(
        self, sensed: Sensed, air_kg: FloatArray, idling: BoolArray, on: BoolArray
    ) -> FloatArray:
        """Fuel over what the cylinders' real air can burn; 0 where none is injected."""
        cold = 0.16 * np.exp((5.0 - sensed.coolant_c) / 22.0) * np.exp(-sensed.run_s / 70.0)
        rich = np.where(sensed.pedal >= 0.72, 0.12, np.minimum(cold, 0.25) * ~self.closed_loop)
        fuel = self.air_kg * (1.0 + self.trim(idling) + self.short + rich)
        # The flow meter sees nothing of the air already in the manifold: a fixed dose for a start.
        starting = sensed.run_s < STARTING_S
        ratio = np.where(starting, 1.02, fuel / np.maximum(air_kg, 1e-7))
        mixed: FloatArray = ratio * (on & ~self.cut)
        return mixed

    def correct(self, dt_s: float, ratio: FloatArray, unburnt: FloatArray) -> None:
        """One step of the oxygen sensor's see-saw; unburnt cycles look lean to it."""
        looks = ratio * (1.0 - 0.35 * unburnt)
        self._oxygen = self._oxygen + (looks - self._oxygen) * (dt_s / (dt_s + 0.35))
        lean = np.where(self._oxygen < 1.0, 1.0, -1.0)
        ramp = self._ramp + lean * (TRIM_RAMP_S * dt_s)
        self._ramp = np.maximum(np.minimum(ramp, TRIM_REACH), -TRIM_REACH) * self.closed_loop
        self.short = self._ramp + lean * (TRIM_STEP * self.closed_loop)

    def learn(self, dt_s: float, warm: BoolArray, idling: BoolArray) -> None:
        """Move the lasting part of the short trim into the long one."""
        rate = dt_s / LEARN_S * (self.closed_loop & warm)
        cells = np.stack([idling, ~idling])
        self.learned = np.clip(
            self.learned + cells * rate * self._ramp, -LEARNED_REACH, LEARNED_REACH
        )


class Spark:
    """Advance by speed, load and the gas that is expected; knock takes some back."""

    def __init__(self, count: int) -> None:
        self.retard_deg: FloatArray = np.zeros(count)
        self.deg: FloatArray = np.full(count, 10.0)

    def step(
        self, sensed: Sensed, gas_due: FloatArray, idling: BoolArray, goal: FloatArray
    ) -> None:
        rpm = np.minimum(sensed.rpm, 4500.0)
        best = 15.0 + 0.0040 * rpm + 0.13 * (101.0 - sensed.intake_kpa) + 42.0 * gas_due
        edge = (
            50.5
            - 0.44 * sensed.intake_kpa
            + 0.0020 * (rpm - 1500.0)
            + 62.0 * gas_due
            - 0.12 * np.maximum(sensed.intake_c - 35.0, 0.0)
        )
        driving = np.minimum(best, edge) - self.retard_deg
        lift = np.maximum(np.minimum((goal - sensed.rpm) * IDLE_SPARK_GAIN, IDLE_SPARK_REACH), -9.0)
        governed = idling & (sensed.rpm < goal + IDLE_SPARK_WITHIN_RPM)
        self.deg = np.where(governed, IDLE_SPARK_DEG + lift, np.maximum(driving, 4.0))

    def hear(
        self, dt_s: float, knock_deg: FloatArray, noise: FloatArray, idling: BoolArray
    ) -> None:
        """Take advance back while the engine knocks, give it again slowly."""
        too_far = np.maximum(self.deg - knock_deg + 0.8 * noise, 0.0) * ~idling
        moved = self.retard_deg + dt_s * (KNOCK_STEP * too_far - KNOCK_RETURN_S)
        self.retard_deg = np.maximum(np.minimum(moved, KNOCK_REACH_DEG), 0.0)
