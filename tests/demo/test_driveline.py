"""The road side: forces, gears, converter."""

import numpy as np
import pytest

from sootsayer.demo.build import Make
from sootsayer.demo.driveline import AIR_KG_M3, GRAVITY_M_S2, ROLLING, Driveline

ONE = np.ones(1)
YES, NO = ONE > 0, ONE < 0


def moving(km_h: float, rpm: float = 0.0) -> Driveline:
    line = Driveline([Make()])
    line.speed_m_s = km_h / 3.6 * ONE
    line.crank_rad_s = rpm * np.pi / 30.0 * ONE
    return line


def test_a_rolling_car_loses_what_air_and_tyres_take() -> None:
    line = moving(100.0)
    make = Make()
    for _ in range(50):
        line.step(0.1, 0 * ONE, 0 * ONE, NO, 0 * ONE, 0 * ONE)
    speed = 100.0 / 3.6
    force = 0.5 * AIR_KG_M3 * make.drag_m2 * speed**2 + make.mass_kg * GRAVITY_M_S2 * ROLLING
    assert speed - line.speed_m_s[0] == pytest.approx(5.0 * force / make.mass_kg / 1.05, rel=0.05)


def test_a_standing_car_stays_where_the_brake_holds_it() -> None:
    line = moving(0.0, 720.0)
    for slope in (-0.05, 0.0, 0.05):
        for _ in range(50):
            line.step(0.1, 17 * ONE, 0 * ONE, YES, 0.5 * ONE, slope * ONE)
        assert line.speed_m_s[0] == 0.0


def test_it_creeps_off_in_drive_and_not_in_park() -> None:
    for engaged, moves in ((YES, True), (NO, False)):
        line = moving(0.0, 750.0)
        for _ in range(40):
            line.crank_rad_s = 78.0 * ONE
            line.step(0.1, 20 * ONE, 0 * ONE, engaged, 0 * ONE, 0 * ONE)
        assert bool(line.speed_m_s[0] > 0.5) is moves


def test_gears_go_up_with_speed_one_at_a_time_and_down_again() -> None:
    line = moving(0.0)
    seen = []
    for km_h in [*np.linspace(0, 90, 400), *np.linspace(90, 0, 400)]:
        line.speed_m_s = km_h / 3.6 * ONE
        line.choose_gear(0.3, 0.15 * ONE)
        seen.append(int(line.gear[0]))
    assert seen[0] == 0 and max(seen) == 3 and seen[-1] == 0
    assert max(abs(np.diff(seen))) == 1


def test_more_pedal_shifts_later() -> None:
    light, heavy = moving(40.0), moving(40.0)
    for _ in range(60):
        light.choose_gear(0.3, 0.12 * ONE)
        heavy.choose_gear(0.3, 0.8 * ONE)
    assert light.gear[0] > heavy.gear[0]


def test_the_lock_up_clutch_leaves_little_slip() -> None:
    line = moving(100.0, 2300.0)
    line.gear = np.array([3])
    for _ in range(30):
        line.speed_m_s = 100.0 / 3.6 * ONE
        line.step(0.1, 90 * ONE, 25 * ONE, YES, 0 * ONE, 0 * ONE)
    turbine = 100.0 / 3.6 / 0.31 * line.overall()[0] * 30 / np.pi
    assert 0 < line.rpm[0] - turbine < 120
