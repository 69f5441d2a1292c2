"""A car that has been driven already answers as it did while it drove."""

from __future__ import annotations

from functools import lru_cache

import pytest

from sootsayer.demo.at_commands import Car
from sootsayer.demo.journeys import KEPT_MS, Driven, drive, moments, remembered
from sootsayer.demo.recording import journeys
from sootsayer.demo.replay import RESTING_VOLTS, ReplayedCar


@lru_cache(maxsize=1)
def trips() -> list[Driven]:
    return drive(journeys(2, minutes=2.0))


def test_it_is_a_car_as_the_adapter_wants_one() -> None:
    car: Car = ReplayedCar(trips())
    assert len(car.units) == 2


def test_at_every_moment_it_says_what_was_kept() -> None:
    car = ReplayedCar(trips())
    for trip, stored in zip(trips(), remembered(trips()), strict=True):
        for at, raw in enumerate(moments(trip, stored)):
            car.advance(trip.start_ms + at * KEPT_MS + KEPT_MS - 1)
            assert car.key_on is bool(trip.key_on[at])
            assert not car.key_on or car.moment().raw == raw


def test_between_trips_it_rests_and_its_starter_pulls_the_supply_down() -> None:
    car = ReplayedCar(trips())
    first, second = trips()
    for t_ms in (first.start_ms - 1, first.key_off_ms + KEPT_MS, second.start_ms - 1, car.end_ms):
        car.advance(t_ms)
        assert (car.key_on, car.cranking, car.volts) == (False, False, RESTING_VOLTS)
    cranking = []
    for t_ms in range(first.start_ms, first.start_ms + 20_000, 100):
        car.advance(t_ms)
        cranking.append(car.cranking)
    assert any(cranking) and not cranking[0] and not cranking[-1]
    assert car.volts == pytest.approx(14.1, abs=0.2)
