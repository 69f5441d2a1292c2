"""Burnt gas slows the flame, shifts knock away and at last makes the engine stumble."""

import numpy as np
import pytest

from sootsayer.demo.build import Make
from sootsayer.demo.combustion import FUEL_J_KG, Combustion, Exhaust

ONE = np.ones(1)


def torque(combustion: Combustion, burnt: float, spark: float = 30.0, luck: float = 0.0) -> float:
    return float(
        combustion.torque_nm(
            1.3e-3 * ONE, ONE, spark * ONE, 2000 * ONE, 55e3 * ONE, 103e3 * ONE, burnt * ONE,
            luck * ONE,
        )[0]
    )  # fmt: skip


def test_torque_is_within_the_energy_of_the_fuel() -> None:
    got = torque(Combustion([Make()]), 0.0)
    all_of_it = 1.3e-3 / 14.6 * FUEL_J_KG / (4 * np.pi)  # work of one cycle over two turns
    assert 0.28 < got / all_of_it < 0.38


def test_much_gas_makes_torque_rough_and_weak() -> None:
    combustion = Combustion([Make()])
    spread = [torque(combustion, x, luck=1.0) / torque(combustion, x) - 1 for x in (0.0, 0.1, 0.2)]
    assert (np.diff(spread) > 0.0).all()
    torque(combustion, 0.15)
    assert combustion.weak_part[0] < 0.1
    torque(combustion, 0.35)
    assert combustion.weak_part[0] > 0.5


def test_gas_wants_earlier_spark_and_allows_it() -> None:
    combustion = Combustion([Make()])
    best, knock = [], []
    for burnt in (0.0, 0.12):
        torque(combustion, burnt)
        best.append(combustion.best_spark_deg(2000 * ONE, 60e3 * ONE)[0])
        knock.append(combustion.knock_spark_deg(2000 * ONE, 60e3 * ONE, 330 * ONE, burnt * ONE)[0])
    assert best[1] > best[0] + 3.0
    assert knock[1] > knock[0] + 5.0


def test_full_load_knocks_before_best_spark() -> None:
    combustion = Combustion([Make()])
    torque(combustion, 0.0)
    knock = combustion.knock_spark_deg(2000 * ONE, 98e3 * ONE, 315 * ONE, 0 * ONE)
    assert knock[0] < combustion.best_spark_deg(2000 * ONE, 98e3 * ONE)[0]


def test_friction_falls_as_the_oil_warms() -> None:
    combustion = Combustion([Make()])
    cold, warm = (
        combustion.drag_nm(1000 * ONE, 40e3 * ONE, 100e3 * ONE, t * ONE)[0] for t in (273.0, 360.0)
    )
    assert 15.0 < warm < cold < 70.0


@pytest.mark.parametrize(("g_s", "least_kpa", "most_kpa"), [(4.0, 0.0, 8.6), (30.0, 0.5, 20.7)])
def test_back_pressure_is_within_trade_limits(
    g_s: float, least_kpa: float, most_kpa: float
) -> None:
    # ≤ 8.6 kPa at idle, ≤ 20.7 kPa at 2000–2500 rpm: service literature
    exhaust = Exhaust([Make()], 100e3 * ONE, 700 * ONE)
    for _ in range(400):
        exhaust.step(0.1, g_s * 1e-3 * ONE, ONE, 100e3 * ONE)
    assert least_kpa < (exhaust.pa[0] - 100e3) / 1e3 < most_kpa
    assert 600 < exhaust.temp_k[0] < 1050
    assert 373 < exhaust.at_valve_k(363 * ONE)[0] < exhaust.temp_k[0]
