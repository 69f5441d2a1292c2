"""Slow temperatures."""

import numpy as np

from sootsayer.demo.build import Make
from sootsayer.demo.warmth import Warmth, Weather

ONE = np.ones(1)


def warmed(minutes: float, fuel_g_s: float, km_h: float, start_c: float = 10.0) -> Warmth:
    warmth = Warmth([Make()], [Weather(10.0, 100.0)], start_c * ONE, 10.0 * ONE)
    for _ in range(round(minutes * 60)):
        warmth.step(1.0, fuel_g_s * 1e-3 * ONE, km_h / 3.6 * ONE)
    return warmth


def test_it_warms_in_some_minutes_and_the_thermostat_holds() -> None:
    assert warmed(3, 0.9, 60).coolant_k[0] < 345
    for minutes in (15, 40):
        assert 358 < warmed(minutes, 1.2, 90).coolant_k[0] < 372


def test_standing_in_traffic_runs_hotter_and_the_fan_ends_that() -> None:
    assert warmed(30, 0.3, 0).coolant_k[0] < warmed(30, 1.2, 90).coolant_k[0] + 15
    assert warmed(60, 0.5, 0).coolant_k[0] < 378


def test_off_it_cools_to_outside() -> None:
    assert warmed(600, 0.0, 0, 90.0).coolant_k[0] - 283.15 < 20


def test_slow_air_is_warmed_by_the_engine_bay() -> None:
    warmth = warmed(40, 1.0, 50)
    idle, fast = warmth.air(0.004 * ONE)[0], warmth.air(0.040 * ONE)[0]
    assert 284 < fast < idle < warmth.bay_k[0]
