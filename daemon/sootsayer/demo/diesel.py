"""The invented car with compression ignition: no throttle, a turbocharger, a cooled gas loop.

What burns is set by the pedal alone; recirculation displaces fresh air that is not needed. The
control unit opens the valve at idle and in gentle driving until the air flow meter tells that the
wanted part of the air is missing. Gas flows because the turbine holds the exhaust back, so the
valve is not choked.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sootsayer.demo.build import Make, column
from sootsayer.demo.cars import (
    HOT_C,
    HOT_CRANKS_S,
    LUCK,
    ROW,
    STEP_S,
    SYNC_S,
    Cars,
    CarSpec,
    Controls,
)
from sootsayer.demo.combustion import FUEL_J_KG
from sootsayer.demo.drive import FULL_NM, PLATE_PER_RPM
from sootsayer.demo.egr_control import EgrControl
from sootsayer.demo.engine_control import REST_RAD, Sensed
from sootsayer.demo.faults import FaultKind, FaultTable
from sootsayer.demo.gas import R_GAS
from sootsayer.demo.monitor import FLOW, Outcome, TripMonitor
from sootsayer.model import BoolArray, FloatArray
from sootsayer.units import KELVIN_AT_0_C

AIR_PER_DIESEL = 14.5
LEAST_EXCESS = 1.15  # air over fuel's need at full load, the smoke limit
EFFICIENCY = 0.43  # of fuel energy into the crank
ROUGH = 0.012  # one standard deviation of torque, a step
DUCT_MM2 = 1900.0  # intake without a throttle
START_NM = 130.0

BOOST_PA = 115e3  # at full load from 2,000 rpm on
BOOST_LAG_S = 0.7
FULL_FUEL_KG_S = 3.0e-3
CHARGE_WARMED = 0.28  # of the heat of compression that the charge cooler leaves
HELD_BACK_PA, HELD_BACK_AT_KG_S = 6.0e3, 0.02  # by the turbine's vanes, at this much exhaust
HELD_BACK_PER_BOOST = 0.9
COOLER_KEEPS = 0.25  # of the exhaust's heat above coolant behind the gas cooler

AIR_MISSING = 0.38  # part of the fresh air that gas shall displace at idle and light load
LOOP_LOAD = (0.30, 0.62)  # of full fuel: all of that, nothing
LOOP_WARM_C = (35.0, 62.0)  # nothing, all
LOOP_GAIN_S = 0.9
LOOP_SHUTS_S = 2.5
LOOP_MOST = 0.9
IDLE_GAIN_NM_RPM = 0.20
IDLE_RESET_NM_RPM_S = 0.10

AIR_OFF = 0.18  # more or less fresh air than wanted
AIR_OFF_S, AIR_SEEN_S = 45.0, 150.0


class Turbo:
    """Boost of n engines and how much the turbine holds the exhaust back, Pa."""

    def __init__(self, count: int) -> None:
        self.boost_pa: FloatArray = np.zeros(count)
        self.held_back_pa: FloatArray = np.zeros(count)

    def step(
        self, dt_s: float, fuel_kg_s: FloatArray, rpm: FloatArray, out_kg_s: FloatArray
    ) -> None:
        part = np.minimum(fuel_kg_s / FULL_FUEL_KG_S, 1.0) ** 0.8
        goal = BOOST_PA * part * np.clip((rpm - 900.0) / 1100.0, 0.0, 1.0)
        self.boost_pa = self.boost_pa + (goal - self.boost_pa) * (dt_s / BOOST_LAG_S)
        through = np.minimum(out_kg_s / HELD_BACK_AT_KG_S, 3.0)
        self.held_back_pa = HELD_BACK_PA * through + HELD_BACK_PER_BOOST * self.boost_pa


class LoopControl(EgrControl):
    """Opens until the air flow meter tells that the wanted part of the fresh air is missing."""

    def __init__(self, makes: Sequence[Make]) -> None:
        super().__init__(makes)
        self._nominal_kg_per_pa_k = column(makes, "displacement_m3") * 0.86 / R_GAS
        self.air_error: FloatArray = np.zeros(len(makes))  # of the wanted air, + too much
        self._wants: BoolArray = np.zeros(len(makes), dtype=np.bool_)

    def follow(
        self, dt_s: float, sensed: Sensed, load: FloatArray, running: BoolArray, faults: FaultTable
    ) -> None:
        """``load``: fuel over that of full load."""
        rpm = np.maximum(sensed.rpm, 300.0)
        air_kg = sensed.air_g_s * 0.120 / rpm
        charge_k = sensed.intake_c + KELVIN_AT_0_C + 12.0
        whole_kg = self._nominal_kg_per_pa_k * sensed.intake_kpa * 1e3 / charge_k
        light = np.clip((LOOP_LOAD[1] - load) / (LOOP_LOAD[1] - LOOP_LOAD[0]), 0.0, 1.0)
        warm = np.clip(
            (sensed.coolant_c - LOOP_WARM_C[0]) / (LOOP_WARM_C[1] - LOOP_WARM_C[0]), 0.0, 1.0
        )
        wanted = 1.0 - AIR_MISSING * light * warm
        self.air_error = air_kg / np.maximum(whole_kg, 1e-5) / wanted - 1.0
        wants = running & (sensed.run_s > 8.0) & (light * warm > 0.05) & (load > 0.01)
        wrong = faults.of(FaultKind.ASKED_WRONG) > 0.5
        wants = wants | (wrong & running)
        self.opening = wants & ~self._wants
        self._wants = wants
        moved = self.asked + dt_s * LOOP_GAIN_S * np.clip(self.air_error, -0.5, 0.5)
        shutting = self.asked - dt_s * LOOP_SHUTS_S
        self.asked = np.clip(np.where(wants, moved, shutting), 0.0, LOOP_MOST)
        self.in_drive = np.ones_like(wants)


class AirMonitor(TripMonitor):
    """Judges recirculation by the fresh air: too much of it while asked, too little while not."""

    def __init__(self, count: int) -> None:
        super().__init__(count)
        self._seen_s = np.zeros((2, count))
        self._wrong_s = np.zeros((2, count))

    def air(
        self, trip_s: FloatArray, asked: FloatArray, air_error: FloatArray, warm: BoolArray
    ) -> None:
        """Once a second. ``air_error``: fresh air over what is wanted, less one."""
        fresh = trip_s < 2.0
        looks = np.stack([warm & (asked > 0.75), warm & (asked < 0.005)])
        wrong = looks & np.stack([air_error > AIR_OFF, air_error < -AIR_OFF])
        # with the valve in its range and the air as wanted the loop works: that is a pass, too
        fine = warm & (asked > 0.05) & (np.abs(air_error) < 0.5 * AIR_OFF)
        self._seen_s = (self._seen_s + np.stack([fine, looks[1]])) * ~fresh
        self._wrong_s = (self._wrong_s + wrong) * ~fresh
        for test in (0, 1):
            todo = self.outcome[FLOW + test] == Outcome.NOT_RUN
            failed = todo & (self._wrong_s[test] > AIR_OFF_S)
            passed = todo & ~failed & (self._seen_s[test] > AIR_SEEN_S)
            self._conclude(FLOW + test, passed, failed, trip_s)


class DieselCars(Cars):
    """n cars with compression ignition in step, asked like any ``Cars``."""

    def __init__(self, specs: Sequence[CarSpec]) -> None:
        super().__init__(specs)
        makes = [spec.make for spec in specs]
        self.loop = LoopControl(makes)
        self.egr = self.loop
        self.air_monitor = AirMonitor(self.count)
        self.monitor = self.air_monitor
        self.turbo = Turbo(self.count)
        self._wanted_nm = np.zeros(self.count)
        self._idle_nm = np.full(self.count, 25.0)
        self._load = np.zeros(self.count)

    def _control(self, controls: Controls) -> None:
        sensed = self._sensed
        self._idling = (sensed.pedal < 0.012) & self.running
        self.loop.follow(STEP_S, sensed, self._load, self.running, self.faults)
        if self.loop.opening.any():
            self.faults.draw_openings(self.loop.opening)
        self.valve.step(STEP_S, self.loop.asked, self.faults)
        self._want(sensed)
        if self.steps % 3 == 0:
            self.driveline.choose_gear(STEP_S * 3, controls.pedal)

    def _want(self, sensed: Sensed) -> None:
        """Torque by the pedal, laid out to feel like a throttle; the idle governor from below."""
        goal = self.throttle.wanted_rpm(sensed.coolant_c)
        error = goal - sensed.rpm
        reset = np.clip(error, -150.0, 150.0) * IDLE_RESET_NM_RPM_S * STEP_S
        self._idle_nm = np.clip(self._idle_nm + reset * self._idling, 5.0, 90.0)
        governed = np.maximum(self._idle_nm + IDLE_GAIN_NM_RPM * error, 0.0)
        plate = 1.0 - np.cos(REST_RAD + (np.pi / 2 - REST_RAD) * sensed.pedal) / np.cos(REST_RAD)
        full = np.minimum(plate / (PLATE_PER_RPM * np.maximum(sensed.rpm, 900.0)), 1.0)
        self._wanted_nm = np.maximum(FULL_NM * full, governed)

    def _breathe(self) -> None:
        warmth, exhaust, manifold, turbo = self.warmth, self.exhaust, self.manifold, self.turbo
        drawn = manifold.flows_kg_s[0]
        rpm = self.driveline.rpm
        out = np.maximum(manifold.drawn_kg_s - manifold.flows_kg_s[1], 0.0) + self._fuel_kg_s
        turbo.step(STEP_S, self._fuel_kg_s, rpm, out)
        hot = np.clip(1.4 * self._load, 0.05, 1.0)
        exhaust.step(STEP_S, out, hot, warmth.outside_pa)
        exhaust.pa = exhaust.pa + turbo.held_back_pa
        gas_k = warmth.coolant_k + COOLER_KEEPS * (exhaust.temp_k - warmth.coolant_k)
        filtered_pa = warmth.outside_pa - self._filter * drawn * drawn
        air_k = warmth.air(drawn)
        lifted = ((filtered_pa + turbo.boost_pa) / filtered_pa) ** 0.286 - 1.0
        charge_k = air_k * (1.0 + CHARGE_WARMED * lifted / 0.7)
        area, up_pa, up_k = self._area_mm2, self._up_pa, self._up_k
        area[0], area[1] = DUCT_MM2, self.valve.area_mm2
        area[2] = 20.0 * self.faults.of(FaultKind.AIR_LEAK)
        up_pa[0], up_pa[1] = filtered_pa + turbo.boost_pa, exhaust.pa
        up_pa[2] = np.maximum(warmth.outside_pa, manifold.pa)
        up_k[0], up_k[1], up_k[2] = charge_k, gas_k, air_k
        self._filling = manifold.filling(rpm, manifold.pa)
        manifold.step(STEP_S, area, up_pa, up_k, warmth.coolant_k - 25.0, rpm, self._filling)

    def _turn(self, controls: Controls, noise: FloatArray) -> None:
        manifold, exhaust, driveline = self.manifold, self.exhaust, self.driveline
        rpm = driveline.rpm
        self._cranked_s = (self._cranked_s + STEP_S) * (controls.run & (rpm > 50.0))
        hot = self.warmth.coolant_k > HOT_C + KELVIN_AT_0_C
        late_s = HOT_CRANKS_S * hot * ~self.running * self.faults.of(FaultKind.HOT_START_HARD)
        fires = controls.run & (self._cranked_s > SYNC_S + late_s)
        wanted = np.where(self.running, self._wanted_nm, START_NM)
        air_kg = manifold.cylinder_air_kg(self._filling)
        most_kg = air_kg / (AIR_PER_DIESEL * LEAST_EXCESS)
        fuel_kg = np.minimum(wanted * 4.0 * np.pi / (EFFICIENCY * FUEL_J_KG), most_kg) * fires
        self._fuel_kg_s = fuel_kg * rpm / 120.0
        self._load = wanted * fires / FULL_NM
        work_j = EFFICIENCY * FUEL_J_KG * fuel_kg * (1.0 + ROUGH * noise[LUCK])
        torque = work_j / (4.0 * np.pi) + self._starter_nm(controls, rpm)
        drag = self.combustion.drag_nm(rpm, manifold.pa, exhaust.pa, self.warmth.coolant_k)
        drag = drag + (self._accessories + self._compressor_nm) * self.running
        driveline.step(STEP_S, torque, drag, controls.engaged, controls.brake, controls.slope)
        self._note_running(controls)

    def _watch_itself(self, coolant_c: FloatArray) -> None:
        warm = (coolant_c > 70.0) & self.running & (self.run_s > 60.0) & (self._load < 0.35)
        self.air_monitor.air(self.trip_s, self.loop.asked, self.loop.air_error, warm)
        self.air_monitor.watch_position(self.trip_s, self.loop.asked, self._actual)

    def readings(self, out: FloatArray) -> None:
        super().readings(out)
        out[ROW["load_pct"]] = 100.0 * np.minimum(self._load, 1.0) * self.running


def cars_of(specs: Sequence[CarSpec]) -> Cars:
    """The cars of these specs, which must all burn the same way. Raises ValueError."""
    kinds = {spec.make.compression_ignition for spec in specs}
    if len(kinds) > 1:
        raise ValueError("cars with spark and with compression ignition do not go side by side")
    return DieselCars(specs) if kinds == {True} else Cars(specs)
