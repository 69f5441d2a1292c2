"""Who drives in the campaign: kinds of fault, how severe, when they act, on which cars, where."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

import cycles
import numpy as np

from sootsayer.demo.build import Feedback, Make, Metering, diesel_make, individual
from sootsayer.demo.cars import CarSpec
from sootsayer.demo.drive import Road, RoadBuilder, commute
from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.demo.journeys import Journey
from sootsayer.demo.recording import EPOCH_MS
from sootsayer.demo.warmth import Weather
from sootsayer.model import Link

DAYS = 3
TRIPS = 3 * DAYS  # out, on after a short stop with a hot engine, home
DAY_MS, HOUR_MS, MINUTE_MS = 86_400_000, 3_600_000, 60_000
STOP_MINUTES = (6.0, 30.0)
PERMIT, ASK, MOVE, FLOW, EFFECT = Link

BOTH, ECHO, PRESSURE_ONLY, FEEDBACK, DIESEL = (
    "petrol, air meter and pressure, position",
    "petrol, air meter and pressure, no position, shut reads 4.7 %",
    "petrol, pressure and throttle, position",
    "petrol, air meter and pressure, pressure feedback and thermistor",
    "diesel, cooled loop, position",
)
MAKES = {
    BOTH: Make(),
    ECHO: Make(feedback=Feedback.ECHO, shut_raw=12, composite_egr=True),
    PRESSURE_ONLY: Make(metering=Metering.MAP),
    FEEDBACK: Make(feedback=Feedback.PRESSURE, passage_sensor=True),
    DIESEL: diesel_make(),
}
VALVES = {
    BOTH: "lift", ECHO: "vacuum", PRESSURE_ONLY: "electric", FEEDBACK: "pressure", DIESEL: "loop",
}  # fmt: skip
WITH_POSITION = (BOTH, PRESSURE_ONLY, DIESEL)
PETROL = (BOTH, ECHO, PRESSURE_ONLY, FEEDBACK)
METERED = (BOTH, ECHO, FEEDBACK)
ALL = tuple(MAKES)
SEVERITIES = ("severe", "moderate", "slight")
SCHEDULES = ("permanent", "when hot", "in bursts", "growing")
BURST_S, PEACE_S = 150.0, 300.0  # mean lengths: it acts a third of the time
HOT_ABOVE_C = 30.0  # of the engine bay: reached after some minutes of every trip


@dataclass(frozen=True, slots=True)
class Expected:
    """What a kind of fault is and what would be right to say of it.

    ``severities``: strength of severe, moderate and slight (see ``FaultKind`` for what 1 is).
    ``makes``: the cars whose channels can show it at all.
    ``links``: where it may be placed first; empty: it must not be placed on a link at all.
    ``rules``: what finds it besides any rule of these links.
    ``causes``: what is right as its cause; where two cannot be told apart by readings, both.
    """

    severities: tuple[float, float, float]
    makes: tuple[str, ...]
    links: tuple[Link, ...]
    causes: tuple[str, ...]
    rules: tuple[str, ...] = ()
    by_past: bool = False  # only the car's own past shows it: there from the second day on
    schedules: tuple[str, ...] = SCHEDULES
    on: Mapping[str, tuple[tuple[Link, ...], tuple[str, ...]]] = field(default_factory=dict)

    def links_on(self, make: str) -> tuple[Link, ...]:
        """``links`` of one car, which ``on`` may replace, as it may its causes."""
        return self.on[make][0] if make in self.on else self.links

    def causes_on(self, make: str) -> tuple[str, ...]:
        return self.on[make][1] if make in self.on else self.causes


K = FaultKind
# A valve that does not move: by readings alone these are one, the hand checks tell them apart.
DOES_NOT_MOVE = ("stuck_shut", "diaphragm", "vacuum_supply", "command_circuit", "solenoid_dead")
NO_PASSAGE = ("passage_choked", "feed_pipe", "cooler")
NO_GAS = (*NO_PASSAGE, *DOES_NOT_MOVE)  # so are these where its true position is not given
LEAKS = ("leaking_shut", "stuck_open")
WEAK_PULL = ("vacuum_source", "vacuum_supply", "solenoid_vents", "diaphragm", "slow_valve")
# Severities are set by what workshops would call them, before any result was seen. A passage or
# a valve that lets less than a seventh through is moderate: makers' own limits lie about there.
EXPECTED: dict[FaultKind, Expected] = {
    K.PASSAGE_CHOKED: Expected(
        (1.0, 0.86, 0.6), ALL, (FLOW,), NO_PASSAGE,
        # With pressure feedback it knows the valve's place by the gas alone, and so do we.
        on={FEEDBACK: ((MOVE, FLOW), NO_GAS), ECHO: ((FLOW,), NO_GAS)},
    ),
    K.VALVE_STUCK_SHUT: Expected(
        (1.0, 0.7, 0.35), ALL, (MOVE, FLOW), DOES_NOT_MOVE,
        on={FEEDBACK: ((MOVE, FLOW), NO_GAS), ECHO: ((FLOW,), NO_GAS)},
    ),
    K.VALVE_STUCK_OPEN: Expected((0.6, 0.4, 0.2), ALL, (MOVE, FLOW), LEAKS),
    K.VALVE_LEAKS: Expected(
        (1.0, 0.5, 0.25), PETROL, (FLOW,), LEAKS,
        # Without an air meter a leak is not separable from idle air: fuel trims tell of it.
        on={PRESSURE_ONLY: ((FLOW, EFFECT), LEAKS), FEEDBACK: ((MOVE, FLOW), LEAKS)},
    ),
    K.VALVE_LEAKS_SHOWN: Expected((1.0, 0.5, 0.25), PETROL, (MOVE, FLOW), LEAKS),
    K.VALVE_SLOW: Expected((1.0, 0.6, 0.3), WITH_POSITION, (MOVE,), ("slow_valve",)),
    K.VALVE_STICTION: Expected((1.0, 0.6, 0.3), WITH_POSITION, (MOVE,), ("slow_valve",)),
    K.VALVE_RESTS_STUCK: Expected(
        (1.0, 0.6, 0.3), WITH_POSITION, (MOVE,), ("slow_valve", "stuck_shut")
    ),
    K.SHUT_CREEPS: Expected(
        (1.0, 0.6, 0.3), WITH_POSITION, (MOVE, FLOW), (*LEAKS, "position_sensor"), by_past=True
    ),
    K.VACUUM_WEAK: Expected((1.0, 0.6, 0.3), (BOTH,), (MOVE,), WEAK_PULL),
    K.POSITION_OFFSET: Expected((1.0, 0.7, 0.4), WITH_POSITION, (MOVE,), ("position_sensor",)),
    K.PASSAGE_SENSOR_COKED: Expected(
        (1.0, 0.8, 0.6), (FEEDBACK,), (FLOW,), ("feedback_part",),
        schedules=("permanent", "growing"),  # carbon does not come and go
    ),
    K.PRESSURE_FEEDBACK_DEAD: Expected(
        (1.0, 0.8, 0.5), (FEEDBACK,), (MOVE, FLOW), ("pressure_hoses", "feedback_part")
    ),
    K.GEAR_INPUT: Expected((1.0, 1.0, 1.0), PETROL, (PERMIT,), ("gear_input",)),
    K.ASKED_WRONG: Expected(
        (1.0, 1.0, 1.0), PETROL, (ASK,), ("command_wrong",),
        schedules=("permanent", "in bursts", "growing"),  # hot it differs in full load only
    ),
    # ---- not recirculation: found when said, and no link of recirculation may be blamed for it
    K.ECT_COLD: Expected((1.0, 0.7, 0.4), ALL, (PERMIT,), ("coolant_input", "thermostat")),
    K.IAT_FROZEN: Expected((1.0, 1.0, 1.0), ALL, (PERMIT,), ("coolant_input",)),
    K.THROTTLE_OFFSET: Expected(
        (1.0, 0.7, 0.5), PETROL, (PERMIT,), ("throttle_input",), by_past=True
    ),
    K.THERMOSTAT_OPEN: Expected((1.0, 0.8, 0.6), ALL, (PERMIT,), ("thermostat", "coolant_input")),
    K.AIR_LEAK: Expected((1.0, 0.6, 0.3), METERED, (), ("air_leak",), ("N1",)),
    K.MAF_LOW: Expected(
        (1.0, 0.6, 0.4), METERED, (PERMIT,), ("air_meter", "air_leak"), ("N1", "N2", "P3M")
    ),
    K.MAF_HIGH: Expected((1.0, 0.6, 0.4), METERED, (PERMIT,), ("air_meter",), ("N2", "P3M")),
    K.WEAK_IGNITION: Expected((1.0, 0.7, 0.5), PETROL, (EFFECT,), ("weak_ignition",)),
    # Told by the recorder's own rule, which asks for no cause: nothing of the engine is accused.
    K.BATTERY_LOW: Expected((1.0, 0.95, 0.9), ALL, (), (), ("R5",)),
    K.STALLS_AT_STOP: Expected(
        (1.0, 0.9, 0.8), PETROL, (EFFECT,), ("idle_air", "weak_ignition")
    ),
    K.HOT_START_HARD: Expected(
        (1.0, 0.7, 0.5), ALL, (EFFECT,), ("hot_fuel", "low_battery", "weak_ignition")
    ),
    K.KNOCK_HEARD: Expected(
        (1.0, 0.7, 0.5), PETROL, (EFFECT,), ("fuel_or_carbon",), by_past=True
    ),
}  # fmt: skip
OF_RECIRCULATION = tuple(EXPECTED)[: tuple(EXPECTED).index(K.ECT_COLD)]
# There or not: where these would be moderate or slight they act part of the time.
THERE_OR_NOT = {K.GEAR_INPUT, K.ASKED_WRONG, K.IAT_FROZEN}
PART_OF_TIME: dict[str, tuple[float, float] | None] = {
    "severe": None, "moderate": (300.0, 150.0), "slight": (150.0, 300.0),
}  # fmt: skip
BY_OPENING = {K.PASSAGE_CHOKED, K.VALVE_STUCK_SHUT}  # in bursts: drawn anew at every opening


@dataclass(frozen=True, slots=True)
class Case:
    """One car of the campaign. ``kind`` None: a sound car."""

    make: str
    seed: int
    kind: FaultKind | None = None
    fault: Fault | None = None
    severity: str = ""
    schedule: str = ""
    driving: str = "commute"
    poll_s: float = 0.2
    dropped: float = 0.0  # part of all minutes in which nothing was recorded


def cases(part: float = 1.0) -> list[Case]:
    """Faulty cars over kind, severity, make and schedule, then sound ones.

    ``part`` below 1 draws so many of them, the same ones every time.
    """
    lot = np.random.default_rng(0xCA5E)
    return [case for case in (*_faulty(), *_sound()) if lot.random() < part]


def _faulty() -> Iterator[Case]:
    seed = 100
    for kind, expected in EXPECTED.items():
        for place, severity in enumerate(SEVERITIES):
            for make in expected.makes:
                for schedule in expected.schedules:
                    seed += 1
                    fault = _fault(kind, expected.severities[place], severity, schedule)
                    yield Case(make, seed, kind, fault, severity, schedule)


def _fault(kind: FaultKind, strength: float, severity: str, schedule: str) -> Fault:
    fault = Fault(kind, strength)
    if EXPECTED[kind].by_past and schedule != "growing":
        fault = replace(fault, start_ms=EPOCH_MS + DAY_MS - 3 * HOUR_MS)
    if kind in THERE_OR_NOT:
        fault = replace(fault, bursts_s=PART_OF_TIME[severity])
    if schedule == "when hot":
        return replace(fault, hot_above_c=HOT_ABOVE_C)
    if schedule == "in bursts" and kind in BY_OPENING:
        return replace(fault, chance=1 / 3)
    if schedule == "in bursts":
        return replace(fault, bursts_s=(BURST_S, PEACE_S))
    if schedule == "growing":
        return replace(fault, start_ms=EPOCH_MS, full_ms=EPOCH_MS + (DAYS - 1) * DAY_MS)
    return fault


SOUND_CARS = 240


def _sound() -> Iterator[Case]:
    """Sound cars in all weathers, from the sea to 3,000 m, some of them poorly polled."""
    for number in range(SOUND_CARS):
        draw = np.random.default_rng([number, 0x50])
        yield Case(
            make=list(MAKES)[number % len(MAKES)],
            seed=5000 + number,
            driving=("commute", "cycles", "commute", "weather", "mountain")[number // 5 % 5],
            poll_s=float(draw.choice([0.2, 0.2, 0.5, 1.0])),
            dropped=float(draw.choice([0.0, 0.0, 0.08])),
        )


# ---------------------------------------------------------------- roads and weather


def journeys_of(case: Case) -> list[Journey]:
    """All trips of a car, in time order."""
    draw = np.random.default_rng([case.seed, 0xDA1])
    make = beyond(MAKES[case.make], case.seed)
    faults = () if case.fault is None else (case.fault,)
    planned: list[Journey] = []
    for day in range(DAYS):
        at_ms = EPOCH_MS + day * DAY_MS + int(draw.integers(0, HOUR_MS))
        stop_min = float(draw.uniform(*STOP_MINUTES))
        weather = _weather(case.driving, draw)
        out, on, home = _roads(case.driving, case.seed * 100 + day * 3)
        on_ms = at_ms + out.seconds * 1000 + round(stop_min * MINUTE_MS)
        hot_c = 88.0 - (88.0 - weather.outside_c) * (1.0 - float(np.exp(-stop_min / 150.0)))
        for number, (road, start_ms, coolant_c) in enumerate(
            ((out, at_ms, None), (on, on_ms, hot_c), (home, at_ms + 9 * HOUR_MS, None))
        ):
            planned.append(
                Journey(
                    CarSpec(
                        make, case.seed * 1000 + day * 3 + number, faults, weather, start_ms,
                        coolant_c=coolant_c, bay_c=None if coolant_c is None else coolant_c - 30,
                        trims=make.settled_trims,
                    ),
                    road,
                )
            )  # fmt: skip
    return planned


def _roads(driving: str, seed: int) -> tuple[Road, Road, Road]:
    if driving == "cycles":
        return cycles.road("udds"), cycles.road("us06"), cycles.road("hwfet", "udds")
    return commute(seed, 22.0), onward(seed + 1), commute(seed + 2, 22.0, homeward=True)


def onward(seed: int, minutes: float = 8.0) -> Road:
    """On after a short stop: some town, some suburb."""
    builder = RoadBuilder(np.random.default_rng([seed, 0x40]))
    builder.start_engine()
    builder.town(minutes * 0.4)
    builder.suburb(minutes * 0.6)
    builder.park()
    return builder.road()


def _weather(driving: str, draw: np.random.Generator) -> Weather:
    if driving == "weather":
        return Weather(float(draw.uniform(-15.0, 38.0)), float(draw.uniform(97.0, 103.0)))
    if driving == "mountain":
        return Weather(float(draw.uniform(-8.0, 22.0)), float(draw.uniform(70.0, 92.0)))
    return Weather(float(draw.uniform(4.0, 24.0)), float(draw.uniform(97.5, 101.5)))


def beyond(make: Make, seed: int) -> Make:
    """One car whose constants lie farther apart than the estimator assumes: breathing, heat,
    exhaust and valve, lag and bias of the sensors."""
    draw = np.random.default_rng([seed, 0xBE])
    z = np.clip(draw.normal(0, 1, 8), -2, 2).tolist()
    car = individual(make, seed)
    return replace(
        car,
        breathing=car.breathing * (1 + 0.05 * z[0]),
        port_heat=car.port_heat * (1 + 0.4 * z[1]),
        map_bias_pa=car.map_bias_pa + 600.0 * z[2],
        breathing_fall=car.breathing_fall * (1 + 0.3 * z[3]),
        valve_mm2=car.valve_mm2 * (1 + 0.12 * z[4]),
        gas_kept_warm=car.gas_kept_warm * (1 + 0.15 * z[5]),
        valve_lag_s=car.valve_lag_s * (1 + 0.2 * z[6]),
        maf_bias=car.maf_bias + 0.02 * z[7],
        air_lag_s=float(draw.uniform(0.0, 0.2)),
        pressure_lag_s=float(draw.uniform(0.0, 0.1)),
    )
