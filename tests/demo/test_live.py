"""The live car follows a clock and remembers its trips."""

from __future__ import annotations

import numpy as np

from sootsayer.demo.cars import CarSpec
from sootsayer.demo.drive import Road, RoadBuilder, commute, errand
from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.demo.live import MOST_CAUGHT_UP_MS, LiveCar
from sootsayer.demo.monitor import Memory
from sootsayer.demo.story import live_car

START_MS = 1_764_000_000_000


def short_trip() -> Road:
    builder = RoadBuilder(np.random.default_rng(1))
    builder.start_engine()
    builder.go(40.0, 10.0)
    builder.park()
    return builder.road()


def test_advancing_at_once_or_in_pieces_is_the_same() -> None:
    at_once, pieces = (LiveCar(CarSpec(start_ms=START_MS), short_trip) for _ in range(2))
    at_once.advance(START_MS + 30_000)
    for t_ms in (40, 99, 100, 3_333, 17_000, 17_000, 9, 30_000):
        pieces.advance(START_MS + t_ms)
    assert at_once.moment() == pieces.moment()
    assert at_once.moment().raw["rpm"] > 2000


def test_key_and_volts_follow_the_trip() -> None:
    car = LiveCar(CarSpec(start_ms=START_MS), short_trip)
    assert not car.key_on
    cranked = False
    for t_ms in range(0, 8_000, 100):
        car.advance(START_MS + t_ms)
        cranked |= car.cranking
    assert car.key_on and cranked and 13.5 < car.volts < 14.5
    road = short_trip()
    car.advance(START_MS + (road.seconds - 2) * 1000)
    assert not car.key_on
    car.advance(START_MS + (road.seconds + 8) * 1000)  # the next road has begun
    assert car.key_on


def test_after_long_silence_it_does_not_drive_for_hours() -> None:
    car = LiveCar(CarSpec(start_ms=START_MS), short_trip)
    car.advance(START_MS + 100 * MOST_CAUGHT_UP_MS)
    driven_s = car.moment().raw["runtm"]
    assert driven_s * 1000 <= MOST_CAUGHT_UP_MS


def test_a_trip_that_fails_its_test_leaves_a_code() -> None:
    # One commute that ends with the key off; the valve never moves, the position shows it.
    commuting = commute(7, 20.0)
    roads = [commuting, short_trip()]
    fault = Fault(FaultKind.VALVE_STUCK_SHUT)
    spec = CarSpec(start_ms=START_MS, faults=(fault,), coolant_c=80.0, bay_c=35.0)
    car = LiveCar(spec, lambda: roads.pop(0), Memory(pending=("P0404",)))
    end_ms = START_MS + commuting.seconds * 1000
    for t_ms in range(START_MS, end_ms, MOST_CAUGHT_UP_MS):
        car.advance(t_ms)
    car.advance(end_ms)
    assert "P0404" in car.memory.confirmed
    assert "P0401" in car.memory.pending and "P0401" not in car.memory.confirmed


def test_the_storys_car_opens_within_minutes() -> None:
    car = live_car(1, START_MS)
    opened = False
    for second in range(0, 240, 2):
        car.advance(START_MS + second * 1000)
        opened |= car.moment().raw["egr_pct"] > 25
    assert opened


def test_errands_are_roads_too() -> None:
    assert errand(1, 3.0).seconds > 120
