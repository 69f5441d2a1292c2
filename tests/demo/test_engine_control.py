"""Throttle, trims and spark of the invented control unit."""

import numpy as np
import pytest

from sootsayer.demo.build import Make, Metering
from sootsayer.demo.engine_control import (
    LEARNED_REACH,
    TRIM_REACH,
    TRIM_STEP,
    Fuel,
    Sensed,
    Spark,
    Throttle,
)

ONE = np.ones(1)
NO, YES = ONE < 0, ONE > 0


def sensed(**changed: float) -> Sensed:
    usual = {
        "rpm": 2000.0, "intake_kpa": 60.0, "air_g_s": 18.0, "coolant_c": 90.0, "intake_c": 25.0,
        "speed_km_h": 90.0, "pedal": 0.2, "run_s": 600.0,
    }  # fmt: skip
    return Sensed(**{name: value * ONE for name, value in (usual | changed).items()})


def trim_for(reads: float) -> float:
    """Short and long trim together after a minute with a flow meter that reads so much too much."""
    fuel = Fuel([Make()], np.zeros((2, 1)))
    air_kg = 18.0 * 0.120 / 2000.0 * ONE
    total = []
    for step in range(900):
        now = sensed(air_g_s=18.0 * reads)
        fuel.believe(0.1, now, 0 * ONE)
        fuel.decide(now)
        fuel.correct(0.1, fuel.ratio(now, air_kg, NO, YES), 0 * ONE)
        if step % 10 == 0:
            fuel.learn(1.0, YES, NO)
        total.append(float(fuel.short[0] + fuel.trim(NO)[0]))
    return float(np.mean(total[600:]))


@pytest.mark.parametrize("reads", [0.9, 1.0, 1.1])
def test_trims_find_the_error_of_the_flow_meter(reads: float) -> None:
    assert trim_for(reads) == pytest.approx(1.0 / reads - 1.0, abs=0.01)


def test_trims_have_an_end() -> None:
    assert trim_for(0.4) < TRIM_REACH + LEARNED_REACH + 2 * TRIM_STEP


def test_no_fuel_on_the_overrun_and_none_before_the_key() -> None:
    fuel = Fuel([Make()], np.zeros((2, 1)))
    fuel.decide(sensed(pedal=0.0))
    assert fuel.cut[0] and not fuel.closed_loop[0]
    assert fuel.ratio(sensed(pedal=0.0), 1e-3 * ONE, NO, YES)[0] == 0.0
    fuel.decide(sensed(pedal=0.0, rpm=1000.0))
    assert not fuel.cut[0]
    assert fuel.ratio(sensed(run_s=0.0), 1e-3 * ONE, NO, NO)[0] == 0.0


def test_pressure_metering_counts_on_gas() -> None:
    fuel = Fuel([Make(metering=Metering.MAP)], np.zeros((2, 1)))
    believed = []
    for gas in (0.0, 0.15):
        fuel.believe(0.1, sensed(), gas * ONE)
        believed.append(fuel.air_kg[0])
    assert believed[1] < 0.86 * believed[0]


def test_throttle_reading_and_area_rise_with_the_pedal() -> None:
    readings, areas = [], []
    for pedal in (0.0, 0.1, 0.3, 0.6, 1.0):
        throttle = Throttle([Make()])
        for _ in range(30):
            throttle.step(0.1, sensed(pedal=pedal), NO, NO)
        readings.append(throttle.open_part[0])
        areas.append(throttle.area_mm2[0])
    assert (np.diff(readings) > 0.05).all() and (np.diff(areas) > 20.0).all()
    assert readings[-1] == pytest.approx(1.0) and readings[0] < 0.05


def test_a_slow_engine_gets_more_idle_air_and_earlier_spark() -> None:
    throttle, spark = Throttle([Make()]), Spark(1)
    before = throttle.idle_mm2[0]
    slow = sensed(rpm=640.0, pedal=0.0, speed_km_h=0.0)
    for _ in range(10):
        throttle.step(0.1, slow, YES, NO)
    assert throttle.idle_mm2[0] > before
    goal = throttle.wanted_rpm(slow.coolant_c)
    spark.step(slow, 0 * ONE, YES, goal)
    assert spark.deg[0] > 13.0


def test_knock_takes_advance_back_quickly_and_gives_it_slowly() -> None:
    spark = Spark(1)
    for _ in range(20):
        spark.step(sensed(), 0 * ONE, NO, 720 * ONE)
        spark.hear(0.1, spark.deg + spark.retard_deg - 4.0, 0 * ONE, NO)
    assert spark.retard_deg[0] == pytest.approx(4.0, abs=0.5)
    for _ in range(20):
        spark.hear(0.1, 90 * ONE, 0 * ONE, NO)
    assert 2.0 < spark.retard_deg[0] < 3.5
