"""The car with compression ignition: what shows that it is one, and what faults do to its air."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pytest

from demo_values import MOMENT
from sootsayer.demo.build import Make, diesel_make
from sootsayer.demo.cars import CHANNELS, ROW, STEP_S, Cars, CarSpec
from sootsayer.demo.control_unit import control_units
from sootsayer.demo.diesel import DieselCars, cars_of
from sootsayer.demo.drive import Drivers, Road, commute
from sootsayer.demo.encoding import channels_of, constants_of, monitor_cycle, monitor_status
from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.demo.journeys import drive
from sootsayer.demo.monitor import FLOW, POSITION, Memory, Outcome
from sootsayer.demo.recording import batches, journeys
from sootsayer.model import FloatArray
from sootsayer.protocol.vehicle_words import counters

DIESEL = diesel_make()
CARS: Mapping[str, tuple[Fault, ...]] = {
    "sound": (),
    "choked": (Fault(FaultKind.PASSAGE_CHOKED),),
    "half choked": (Fault(FaultKind.PASSAGE_CHOKED, 0.6),),
    "stuck shut": (Fault(FaultKind.VALVE_STUCK_SHUT),),
    "stuck open": (Fault(FaultKind.VALVE_STUCK_OPEN),),
}


@dataclass(frozen=True)
class Seen:
    said: FloatArray
    gas_part: FloatArray
    over_kpa: FloatArray  # exhaust over intake
    outcome: tuple[Outcome, ...]
    stalls: float

    def at(self, state: str, channel: str = "") -> FloatArray:
        """Readings (or the true gas part) in the second half of the drive."""
        of = {name: self.said[:, ROW[name]] for name in ("rpm", "vss", "load_pct")}
        where = (of["rpm"] > 400.0) & {
            "idle": of["vss"] < 0.5,
            "cruise": (of["vss"] > 60.0) & (of["load_pct"] < 30.0),
            "hard": of["load_pct"] > 75.0,
        }[state]
        where[: len(where) // 2] = False
        return (self.said[:, ROW[channel]] if channel else self.gas_part)[where]


@pytest.fixture(scope="module")
def road() -> Road:
    return commute(7, 16.0)


@pytest.fixture(scope="module")
def seen(road: Road) -> Mapping[str, Seen]:
    spec = CarSpec(DIESEL, 11, bay_c=16.0, coolant_c=45.0)
    cars = cars_of([replace(spec, faults=faults) for faults in CARS.values()])
    drivers = Drivers(cars, [road] * len(CARS))
    steps = round(drivers.seconds / STEP_S) // 2 * 2
    said = np.zeros((steps // 2, len(CHANNELS), len(CARS)))
    inside = np.zeros((steps // 2, 2, len(CARS)))
    for step in range(steps):
        cars.step(drivers.controls(step))
        if step % 2 == 0:
            cars.readings(said[step // 2])
            over = (cars.exhaust.pa - cars.manifold.pa) / 1e3
            inside[step // 2] = cars.manifold.burnt_part, over
    return {
        name: Seen(
            said[:, :, car], inside[:, 0, car], inside[:, 1, car],
            tuple(Outcome(int(o)) for o in cars.monitor.outcome[:, car]), float(cars.stalls[car]),
        )
        for car, name in enumerate(CARS)
    }  # fmt: skip


def test_it_drives_the_road_boosted_and_unthrottled(seen: Mapping[str, Seen], road: Road) -> None:
    sound = seen["sound"]
    speed = sound.said[:, ROW["vss"]]
    wanted = np.repeat(road.speed_km_h, 5)[: len(speed)]
    assert np.abs(speed - wanted).mean() < 2.5 and sound.stalls == 0
    assert sound.at("idle", "map").min() > 90.0  # no throttle: about the air outside
    assert 150.0 < sound.at("hard", "map").max() < 255.0
    assert sound.at("idle", "rpm").mean() == pytest.approx(DIESEL.idle_rpm, abs=25)


def test_gas_flows_at_idle_and_cruise_and_not_under_load(seen: Mapping[str, Seen]) -> None:
    sound = seen["sound"]
    assert sound.at("idle").mean() > 0.2 and sound.at("cruise").mean() > 0.1
    assert np.median(sound.at("hard", "egr_pct")) == 0.0
    # never choked: exhaust over intake stays far below what a critical ratio of 0.54 would need
    assert (sound.over_kpa < 0.4 * sound.said[:, ROW["map"]]).all()


def test_without_gas_the_same_car_draws_more_air(seen: Mapping[str, Seen]) -> None:
    # as public recordings of two cars show: apparent volumetric efficiency falls by about two
    # fifths with the loop open
    idle = seen["sound"].at("idle", "maf").mean() / seen["choked"].at("idle", "maf").mean()
    assert 0.5 < idle < 0.75
    assert seen["choked"].at("idle").max() < 0.01
    assert seen["choked"].at("idle", "egr_pct").mean() > 80.0  # it opens in vain


def test_the_loop_hides_half_a_blockage_by_opening_further(seen: Mapping[str, Seen]) -> None:
    half, sound = seen["half choked"], seen["sound"]
    assert half.at("idle", "maf").mean() == pytest.approx(sound.at("idle", "maf").mean(), rel=0.03)
    assert half.at("idle", "egr_pct").mean() > 1.25 * sound.at("idle", "egr_pct").mean()


def test_its_monitor_judges_by_air_and_by_position(seen: Mapping[str, Seen]) -> None:
    assert Outcome.FAILED not in seen["sound"].outcome + seen["half choked"].outcome
    assert seen["sound"].outcome[FLOW] is Outcome.PASSED
    assert seen["choked"].outcome[FLOW] is Outcome.FAILED
    assert seen["choked"].outcome[POSITION] is not Outcome.FAILED
    assert seen["stuck shut"].outcome[POSITION] is Outcome.FAILED
    assert seen["stuck open"].at("hard").mean() > seen["sound"].at("hard").mean() + 0.02


# ---------------------------------------------------------------- what it says


def test_it_gives_no_channel_of_a_throttle_or_a_spark() -> None:
    given = channels_of(DIESEL)
    assert not given & {"tp", "tp_r", "tac_pct", "sparkadv", "shrtft1", "longft1", "fuelsys1"}
    assert {"app_d", "map", "maf", "egr_a_cmd", "egr_a_act", "egr_a_err"} <= given
    assert "app_d" not in channels_of(Make())
    assert constants_of(DIESEL)["fuel_typ"] == 4  # SAE J1979 PID 51: diesel


def test_readiness_says_compression_ignition() -> None:
    # SAE J1979 PID 01 byte B bit 3; C: recirculation, filter, exhaust sensors, boost
    assert monitor_status(Memory(), True).to_bytes(4, "big") == b"\x00\x0f\xe8\x00"
    assert monitor_cycle(False, 0.0, True).to_bytes(4, "big")[3] == 0xE0


def test_its_in_use_counters_are_those_of_compression_ignition() -> None:
    engine = control_units(DIESEL)[0]
    assert engine.answer(b"\x09\x08", MOMENT) is None
    reply = engine.answer(b"\x09\x0b", MOMENT)
    assert reply is not None and reply[:3] == b"\x49\x0b\x12" and len(reply) == 3 + 36
    read = {sample.channel: sample.raw for sample in counters(0x0B, reply[3:])}
    ledger = MOMENT.memory.ledger
    assert (read["egrcomp"], read["egrcond"]) == (ledger.flow_tests, ledger.conditions)


def test_the_two_valve_channels_are_recorded() -> None:
    told = batches(drive(journeys(1, make=DIESEL, minutes=3.0)))
    channels = {series.channel for batch in told for series in batch.series}
    assert {"egr_a_cmd", "egr_a_act", "egr_a_err", "app_d"} <= channels
    assert not channels & {"tp", "sparkadv"}


def test_the_two_kinds_do_not_go_side_by_side() -> None:
    assert isinstance(cars_of([CarSpec(DIESEL)]), DieselCars)
    assert type(cars_of([CarSpec()])) is Cars
    with pytest.raises(ValueError, match="side by side"):
        cars_of([CarSpec(), CarSpec(DIESEL)])
