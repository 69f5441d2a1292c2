"""The invented car as a whole: n of them side by side, one step at a time.

A mean-value model of a spark-ignition engine with an automatic gearbox. It shares no formula
with the part of the program that judges, which sees only what the control unit says.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from sootsayer.demo.build import Make, Metering, column, flags
from sootsayer.demo.combustion import AIR_PER_FUEL, Combustion, Exhaust
from sootsayer.demo.driveline import Driveline
from sootsayer.demo.egr_control import EgrControl
from sootsayer.demo.engine_control import TRAVEL_PCT, Fuel, Sensed, Spark, Throttle
from sootsayer.demo.faults import Fault, FaultKind, FaultTable
from sootsayer.demo.gas import R_GAS
from sootsayer.demo.manifold import Manifold
from sootsayer.demo.monitor import TripMonitor
from sootsayer.demo.passage import Passage
from sootsayer.demo.valve import Valve
from sootsayer.demo.warmth import Warmth, Weather
from sootsayer.model import BoolArray, FloatArray
from sootsayer.units import KELVIN_AT_0_C

STEP_S = 0.1
STEP_MS = 100
SECOND = 10  # steps in one second
GEAR_STEPS = 3
NOISE_STEPS = 600  # noise is drawn a minute at a time
LUCK, SEES_PRESSURE, SEES_AIR, SEES_SPEED, SEES_VALVE, HEARS = range(6)
NOISES = 6

STARTER_NM = 40.0  # mean over the cycle, after what compression gives back
STARTER_RPM = 290.0  # no torque left at this speed
THICK_BELOW_C, THICKER_PER_K = 5.0, 0.03  # against thick oil the starter draws more current
SYNC_S = 0.45  # the control unit must first find the crank's place
RUNS_ABOVE_RPM = 400.0
STALLS_BELOW_RPM = 260.0
USUAL_AIR_PA = 97e3
AIR_LEAK_MM2 = 20.0
MAF_OFF = 0.30
PEDAL_REST_PCT, PEDAL_TRAVEL_PCT = 14.5, 66.0
ECT_OFF_K = 30.0
THROTTLE_OFF_PCT = 8.0
VOLTS_OFF = 1.9
STARTER_WEAKER = 0.16
STARVES_KM_H = (0.5, 22.0)
HOT_C = 75.0
HOT_CRANKS_S = 4.0
KNOCK_OFF_DEG = 7.0
COMPRESSOR_NM = 6.0
COMPRESSOR_ABOVE_C = 21.0

# What the control unit can say, in the order of the rows of ``Cars.readings``.
CHANNELS = (
    "fuelsys1", "load_pct", "ect", "shrtft1", "longft1", "map", "rpm", "vss", "sparkadv", "iat",
    "maf", "tp", "runtm", "egr_pct", "egr_err", "baro", "vpwr", "tp_r", "aat", "tac_pct",
    "n_d_stat", "egr_a_act", "egrt11", "app_d",
)  # fmt: skip
ROW = {name: row for row, name in enumerate(CHANNELS)}
OPEN_LOOP, CLOSED_LOOP, OPEN_LOOP_DRIVING = 1, 2, 4


@dataclass(frozen=True, slots=True)
class CarSpec:
    """One car at the start of one trip. The same spec always drives the same trip."""

    make: Make = field(default_factory=Make)
    seed: int = 1
    faults: tuple[Fault, ...] = ()
    weather: Weather = field(default_factory=Weather)
    start_ms: int = 0
    coolant_c: float | None = None  # None: as cold as outside
    bay_c: float | None = None
    trims: tuple[float, float] = (0.0, 0.0)  # learned at idle and driving, parts of 1


@dataclass(frozen=True, slots=True)
class Controls:
    """What the drivers do; arrays of shape (n,)."""

    pedal: FloatArray  # 0..1
    brake: FloatArray  # 0..1
    ignition: BoolArray  # key on
    run: BoolArray  # the driver wants the engine running and turns the key as needed
    engaged: BoolArray  # selector in drive
    slope: FloatArray  # rise over run


class Cars:
    """n cars in step. ``t_ms`` is each car's own log time, float64 of shape (n,)."""

    def __init__(self, specs: Sequence[CarSpec]) -> None:
        makes = [spec.make for spec in specs]
        count = len(specs)
        self.count = count
        self.steps = 0
        self.t_ms: FloatArray = np.array([s.start_ms for s in specs], dtype=np.float64)
        outside = np.array([s.weather.outside_c for s in specs])
        coolant = np.array([_else(s.coolant_c, s.weather.outside_c) for s in specs])
        bay = np.array([_else(s.bay_c, s.weather.outside_c) for s in specs])
        self.warmth = Warmth(makes, [s.weather for s in specs], coolant, bay)
        self.faults = FaultTable([s.faults for s in specs], [s.seed for s in specs])
        self.throttle = Throttle(makes)
        self.fuel = Fuel(makes, np.array([s.trims for s in specs]).T)
        self.spark = Spark(count)
        self.egr = EgrControl(makes)
        self.monitor = TripMonitor(count, self.warmth.outside_pa * 1e-3)
        self.valve = Valve(makes)
        self.manifold = Manifold(makes, self.warmth.outside_pa, outside + KELVIN_AT_0_C)
        self.exhaust = Exhaust(makes, self.warmth.outside_pa, coolant + KELVIN_AT_0_C + 60.0)
        self.combustion = Combustion(makes)
        self.driveline = Driveline(makes)
        self.running: BoolArray = np.zeros(count, dtype=np.bool_)
        self.cranking: BoolArray = np.zeros(count, dtype=np.bool_)
        self.ignition: BoolArray = np.zeros(count, dtype=np.bool_)
        self.run_s: FloatArray = np.zeros(count)
        self.trip_s: FloatArray = np.zeros(count)
        self.stalls: FloatArray = np.zeros(count)
        self._filter = column(makes, "filter_pa_per_kg2_s2")
        self._accessories = column(makes, "accessories_nm")
        self._air_follows = STEP_S / (STEP_S + column(makes, "air_lag_s"))
        self._pressure_follows = STEP_S / (STEP_S + column(makes, "pressure_lag_s"))
        self._air_felt_kg_s = np.zeros(count)
        self._pressure_felt_pa = self.warmth.outside_pa.copy()
        self._maf_bias = column(makes, "maf_bias")
        self._map_bias = column(makes, "map_bias_pa")
        self._iat_bias = column(makes, "iat_bias_k")
        self._ect_bias = column(makes, "ect_bias_k")
        self._closed_pct = column(makes, "closed_throttle_pct")
        self._shut_part = column(makes, "shut_raw") / 255.0
        self._swept = column(makes, "displacement_m3")
        # A control unit with pressure feedback asks for less where the air is thin.
        self._thin_air = np.minimum(self.warmth.outside_pa / USUAL_AIR_PA, 1.0)
        self._has_maf = flags([m.metering is not Metering.MAP for m in makes])
        self._idling: BoolArray = np.zeros(count, dtype=np.bool_)
        self._cranked_s = np.zeros(count)
        self._waited_s: FloatArray = np.full(count, 9.0)
        self.volts: FloatArray = np.full(count, 12.5)
        self._iat_k = self.warmth.outside_k + 0.3 * (bay - outside)
        self._aat_k = self.warmth.outside_k.copy()
        self._compressor_nm = np.zeros(count)
        self._draw = [np.random.default_rng([s.seed, 0x501]) for s in specs]
        self._phase = np.array([float(d.uniform(0.0, 60.0)) for d in self._draw])
        self._noise = np.zeros((NOISE_STEPS, NOISES, count))
        self.passage = Passage(bay + KELVIN_AT_0_C)
        self._frozen_k = np.full(count, np.nan)
        self._off_k = self._ect_bias.copy()
        self._area_mm2, self._up_pa, self._up_k = np.zeros((3, 3, count))
        self._filling = np.ones(count)
        self._fuel_kg_s = np.zeros(count)
        self._actual = np.zeros(count)
        self._sensed = self._sense(np.zeros((NOISES, count)), np.zeros(count))

    # ------------------------------------------------------------ one step

    def step(self, controls: Controls) -> None:
        """Advance every car by ``STEP_S``."""
        noise = self._next_noise()
        self.ignition = controls.ignition
        if self.steps % SECOND == 0:
            self._second()
        self._control(controls)
        self._breathe()
        self._turn(controls, noise)
        self._sensed = self._sense(noise, controls.pedal)
        self.steps += 1
        self.t_ms = self.t_ms + STEP_MS

    def _next_noise(self) -> FloatArray:
        row = self.steps % NOISE_STEPS
        if row == 0:
            drawn = [d.standard_normal((NOISE_STEPS, NOISES)) for d in self._draw]
            self._noise = np.stack(drawn, axis=2)
        noise: FloatArray = self._noise[row]
        return noise

    def _second(self) -> None:
        warmth = self.warmth
        stays_open = self.faults.of(FaultKind.THERMOSTAT_OPEN)
        warmth.step(1.0, self._fuel_kg_s, self.driveline.speed_m_s, stays_open)
        coolant_c = warmth.coolant_k - KELVIN_AT_0_C
        self.faults.update(self.t_ms, warmth.bay_k - KELVIN_AT_0_C, coolant_c)
        self._off_k = self._ect_bias - ECT_OFF_K * self.faults.of(FaultKind.ECT_COLD)
        self._iat_k = self._iat_k + (warmth.drawn_k - self._iat_k) * 0.12
        if self.faults.has(FaultKind.IAT_FROZEN):
            self._freeze()
        gas_k = self.exhaust.at_valve_k(warmth.coolant_k)
        coked = self.faults.of(FaultKind.PASSAGE_SENSOR_COKED)
        self.passage.step(1.0, self.manifold.flows_kg_s[1], gas_k, warmth.bay_k, coked)
        self._aat_k = self._aat_k + (warmth.outside_k - self._aat_k) * 0.01
        self.fuel.learn(1.0, coolant_c > 70.0, self._idling)
        hot = warmth.outside_k - KELVIN_AT_0_C > COMPRESSOR_ABOVE_C
        on = (self.t_ms / 1000.0 + self._phase) % 55.0 < 34.0
        self._compressor_nm = COMPRESSOR_NM * (hot & on & self.running)
        self._watch_itself(coolant_c)

    def _watch_itself(self, coolant_c: FloatArray) -> None:
        """The control unit's own tests, once a second."""
        promised = self._sensed.intake_kpa * self._sensed.rpm * self._swept / (0.12 * R_GAS * 318.0)
        part = self._sensed.air_g_s * 1e-3 / np.maximum(promised * 0.70, 1e-5)
        part = np.where(self._has_maf, part, 1.0)
        trim = self.fuel.short + self.fuel.trim(self._idling)
        trimming = self.fuel.closed_loop & (coolant_c > 70.0)
        self.monitor.second(
            self.trip_s, self._sensed, self.egr.asked, self._actual, part, trim, trimming
        )

    def _freeze(self) -> None:
        """An intake air sensor that freezes goes on saying what it said then."""
        frozen = self.faults.of(FaultKind.IAT_FROZEN) > 0.5
        begins = frozen & np.isnan(self._frozen_k)
        self._frozen_k = np.where(begins, self._iat_k, np.where(frozen, self._frozen_k, np.nan))

    def _control(self, controls: Controls) -> None:
        sensed = self._sensed
        cranking = controls.run & ~self.running
        self._idling = (sensed.pedal < 0.012) & self.running & ~self.fuel.cut
        speed = sensed.speed_km_h
        stopping = (speed > STARVES_KM_H[0]) & (speed < STARVES_KM_H[1]) & self._idling
        starved = self.faults.of(FaultKind.STALLS_AT_STOP) * stopping
        self.throttle.step(STEP_S, sensed, self._idling & (speed < 12.0), cranking, starved)
        self.fuel.believe(STEP_S, sensed, self.egr.gas_due)
        self.fuel.decide(sensed)
        self.egr.step(
            STEP_S,
            sensed,
            self.fuel.air_kg,
            controls.engaged,
            self.driveline.since_shift_s,
            self.fuel.cut | ~self.running,
            self.monitor.forced_shut,
            self.faults,
        )
        if self.egr.opening.any():
            self.faults.draw_openings(self.egr.opening)
        self.valve.step(STEP_S, self.egr.driven, self.faults)
        self.spark.step(
            sensed, self.egr.gas_due, self._idling, self.throttle.wanted_rpm(sensed.coolant_c)
        )
        if self.steps % GEAR_STEPS == 0:
            self.driveline.choose_gear(STEP_S * GEAR_STEPS, controls.pedal)

    def _breathe(self) -> None:
        warmth, exhaust, manifold = self.warmth, self.exhaust, self.manifold
        drawn = manifold.flows_kg_s[0]
        out = np.maximum(manifold.drawn_kg_s - manifold.flows_kg_s[1], 0.0) + self._fuel_kg_s
        exhaust.step(STEP_S, out, np.where(self._fuel_kg_s > 0.0, 1.0, 0.15), warmth.outside_pa)
        air_k = warmth.air(drawn)
        gas_k = exhaust.at_valve_k(warmth.coolant_k)
        filtered_pa = warmth.outside_pa - self._filter * drawn * drawn
        hole_mm2 = AIR_LEAK_MM2 * self.faults.of(FaultKind.AIR_LEAK)
        area, up_pa, up_k = self._area_mm2, self._up_pa, self._up_k
        area[0], area[1], area[2] = self.throttle.area_mm2, self.valve.area_mm2, hole_mm2
        up_pa[0], up_pa[1], up_pa[2] = filtered_pa, exhaust.pa, warmth.outside_pa
        up_k[0], up_k[1], up_k[2] = air_k, gas_k, air_k
        rpm = self.driveline.rpm
        self._filling = manifold.filling(rpm, exhaust.pa)
        manifold.step(STEP_S, area, up_pa, up_k, warmth.coolant_k - 15.0, rpm, self._filling)

    def _turn(self, controls: Controls, noise: FloatArray) -> None:
        manifold, exhaust, driveline = self.manifold, self.exhaust, self.driveline
        rpm = driveline.rpm
        air_kg = manifold.cylinder_air_kg(self._filling)
        self._cranked_s = (self._cranked_s + STEP_S) * (controls.run & (rpm > 60.0))
        hot = self.warmth.coolant_k > HOT_C + KELVIN_AT_0_C
        late_s = HOT_CRANKS_S * hot * ~self.running * self.faults.of(FaultKind.HOT_START_HARD)
        fires = self._cranked_s > SYNC_S + late_s
        ratio = self.fuel.ratio(self._sensed, air_kg, self._idling, fires)
        torque = self.combustion.torque_nm(
            air_kg, ratio, self.spark.deg, rpm, manifold.pa, exhaust.pa, manifold.burnt_part,
            noise[LUCK], self._spark_weak(),
        )  # fmt: skip
        self._fuel_kg_s = ratio * air_kg * rpm / (120.0 * AIR_PER_FUEL)
        self.fuel.correct(STEP_S, ratio, self.combustion.weak_part)
        edge = self.combustion.knock_spark_deg(
            rpm, manifold.pa, manifold.temp_k, manifold.burnt_part
        )
        edge = edge - KNOCK_OFF_DEG * self.faults.of(FaultKind.KNOCK_HEARD)
        self.spark.hear(STEP_S, edge, noise[HEARS], self._idling | self.fuel.cut)
        drag = self.combustion.drag_nm(rpm, manifold.pa, exhaust.pa, self.warmth.coolant_k)
        drag = drag + (self._accessories + self._compressor_nm) * self.running
        torque = torque + self._starter_nm(controls, rpm)
        driveline.step(STEP_S, torque, drag, controls.engaged, controls.brake, controls.slope)
        self._note_running(controls)

    def _spark_weak(self) -> FloatArray | None:
        kind = FaultKind.WEAK_IGNITION
        return self.faults.of(kind) if self.faults.has(kind) else None

    def _starter_nm(self, controls: Controls, rpm: FloatArray) -> FloatArray:
        self._waited_s = self._waited_s + STEP_S
        turning = controls.run & ~self.running & (self._waited_s > 3.0)
        strength = 1.0 - STARTER_WEAKER * self.faults.of(FaultKind.BATTERY_LOW)
        thick = np.maximum(THICK_BELOW_C + KELVIN_AT_0_C - self.warmth.coolant_k, 0.0)
        strength = strength * (1.0 + THICKER_PER_K * thick)
        turns = np.maximum(STARTER_NM * strength * (1.0 - rpm / STARTER_RPM), 0.0)
        return np.where(turning, turns, 0.0)

    def _note_running(self, controls: Controls) -> None:
        rpm = self.driveline.rpm
        starts = ~self.running & controls.run & (rpm > RUNS_ABOVE_RPM) & (self._fuel_kg_s > 0.0)
        stalls = self.running & controls.run & (rpm < STALLS_BELOW_RPM)
        stops = self.running & ~controls.run
        self.running = np.logical_and(self.running | starts, ~(stalls | stops))
        self.run_s = (self.run_s + STEP_S * self.running) * (controls.ignition & ~starts)
        fresh = controls.ignition & (self.trip_s == 0.0)
        if fresh.any():
            self.monitor.forget_trip(fresh)
        self.trip_s = (self.trip_s + STEP_S) * controls.ignition
        if stalls.any():
            self.stalls = self.stalls + stalls
            self._waited_s = self._waited_s * ~stalls
        goal = np.where(self.running, 14.1, np.where(controls.ignition, 12.25, 12.55))
        self.cranking = ~self.running & controls.run & (self._waited_s > 3.0)
        goal = np.where(self.cranking, 10.1, goal)
        goal = goal - VOLTS_OFF * self.faults.of(FaultKind.BATTERY_LOW)
        self.volts = self.volts + (goal - self.volts) * 0.35

    # ------------------------------------------------------------ what can be read

    def _sense(self, noise: FloatArray, pedal: FloatArray) -> Sensed:
        reads = 1.0 + self._maf_bias + MAF_OFF * (
            self.faults.of(FaultKind.MAF_HIGH) - self.faults.of(FaultKind.MAF_LOW)
        )  # fmt: skip
        reads = reads + 0.006 * noise[SEES_AIR]
        air_kg_s, intake_pa = self.manifold.flows_kg_s[0], self.manifold.pa
        self._air_felt_kg_s += (air_kg_s - self._air_felt_kg_s) * self._air_follows
        self._pressure_felt_pa += (intake_pa - self._pressure_felt_pa) * self._pressure_follows
        self._actual = self.egr.actual(
            self.valve.sensed(self.faults, noise[SEES_VALVE]),
            self.manifold.flows_kg_s[1] * 1e3 / self._thin_air,
            1.0 - self.faults.of(FaultKind.PRESSURE_FEEDBACK_DEAD),
        )
        return Sensed(
            rpm=self.driveline.rpm + 1.5 * noise[SEES_SPEED] * self.running,
            intake_kpa=(self._pressure_felt_pa + self._map_bias + 180.0 * noise[SEES_PRESSURE])
            * 1e-3,
            air_g_s=np.maximum(self._air_felt_kg_s * reads * 1e3, 0.0),
            coolant_c=self.warmth.coolant_k - KELVIN_AT_0_C + self._off_k,
            intake_c=np.where(np.isnan(self._frozen_k), self._iat_k, self._frozen_k)
            - KELVIN_AT_0_C
            + self._iat_bias,
            speed_km_h=self.driveline.speed_km_h,
            pedal=pedal,
            run_s=self.run_s,
        )

    def readings(self, out: FloatArray) -> None:
        """Write what the control unit would say now into ``out``, shape (channels, n)."""
        sensed, fuel, egr = self._sensed, self.fuel, self.egr
        loop = np.where(fuel.closed_loop, CLOSED_LOOP, OPEN_LOOP)
        driving = fuel.cut | ((sensed.pedal >= 0.72) & (sensed.coolant_c > 35.0))
        turned = 100.0 * self.throttle.open_part
        off_pct = THROTTLE_OFF_PCT * self.faults.of(FaultKind.THROTTLE_OFFSET)
        out[ROW["fuelsys1"]] = np.where(driving, OPEN_LOOP_DRIVING, loop)
        out[ROW["load_pct"]] = fuel.air_kg / (self._swept * 1.17) * 108.0 * self.running
        out[ROW["ect"]] = sensed.coolant_c
        out[ROW["shrtft1"]] = 100.0 * fuel.short
        out[ROW["longft1"]] = 100.0 * fuel.trim(self._idling)
        out[ROW["map"]] = sensed.intake_kpa
        out[ROW["rpm"]] = sensed.rpm
        out[ROW["vss"]] = sensed.speed_km_h
        out[ROW["sparkadv"]] = np.where(self.running, self.spark.deg, 5.0)
        out[ROW["iat"]] = sensed.intake_c
        out[ROW["maf"]] = sensed.air_g_s
        out[ROW["tp"]] = self._closed_pct + TRAVEL_PCT / 100.0 * turned + off_pct
        out[ROW["runtm"]] = np.floor(self.run_s)
        out[ROW["egr_pct"]] = 100.0 * np.maximum(egr.asked, self._shut_part * self.running)
        out[ROW["egr_err"]] = egr.error_pct(self._actual)
        out[ROW["baro"]] = self.warmth.outside_pa * 1e-3
        out[ROW["vpwr"]] = self.volts
        out[ROW["tp_r"]] = TRAVEL_PCT / 100.0 * turned + off_pct
        out[ROW["aat"]] = self._aat_k - KELVIN_AT_0_C
        out[ROW["tac_pct"]] = turned
        out[ROW["n_d_stat"]] = egr.in_drive
        out[ROW["egr_a_act"]] = 100.0 * self._actual
        out[ROW["app_d"]] = PEDAL_REST_PCT + PEDAL_TRAVEL_PCT * sensed.pedal
        out[ROW["egrt11"]] = self.passage.sensed_k - KELVIN_AT_0_C


def _else(value: float | None, other: float) -> float:
    return other if value is None else value
