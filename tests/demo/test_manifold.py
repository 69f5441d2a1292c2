"""Gas is neither made nor lost, and the cylinders draw what volumetric efficiency says."""

import numpy as np
import pytest

from sootsayer.demo.build import Make
from sootsayer.demo.gas import R_GAS
from sootsayer.demo.manifold import LEAK, THROTTLE, VALVE, Manifold

AREA = np.array([[40.0, 400.0, 1900.0], [0.0, 25.0, 0.0], [0.0, 0.0, 5.0]])
UP_PA = np.array([[99e3] * 3, [104e3] * 3, [100e3] * 3])
UP_K = np.array([[300.0] * 3, [650.0] * 3, [300.0] * 3])
WALL_K = np.array([350.0] * 3)
RPM = np.array([800.0, 2200.0, 4500.0])


def manifold() -> Manifold:
    return Manifold([Make()] * 3, np.array([60e3, 40e3, 90e3]), np.array([310.0] * 3))


def step(state: Manifold, dt_s: float) -> None:
    filling = state.filling(RPM, UP_PA[VALVE])
    state.step(dt_s, AREA, UP_PA, UP_K, WALL_K, RPM, filling)


def test_what_flows_in_flows_out_or_stays() -> None:
    state = manifold()
    for _ in range(300):
        air, burnt = state.air_kg.copy(), state.burnt_kg.copy()
        step(state, 0.1)
        out_air = state.drawn_kg_s * (1.0 - state.burnt_part)
        out_burnt = state.drawn_kg_s * state.burnt_part
        in_air = state.flows_kg_s[THROTTLE] + state.flows_kg_s[LEAK]
        np.testing.assert_allclose(air + 0.1 * (in_air - out_air), state.air_kg, rtol=1e-12)
        np.testing.assert_allclose(
            burnt + 0.1 * (state.flows_kg_s[VALVE] - out_burnt), state.burnt_kg, atol=1e-15
        )


def test_pressure_is_that_of_an_ideal_gas() -> None:
    state = manifold()
    for _ in range(5):
        step(state, 0.1)
    mass = state.air_kg + state.burnt_kg
    expected = mass * R_GAS * state.temp_k / Make().manifold_m3
    np.testing.assert_allclose(state.pa, expected, rtol=1e-12)


def test_settles_where_inflow_equals_speed_density() -> None:
    state = manifold()
    for _ in range(400):
        step(state, 0.1)
    np.testing.assert_allclose(state.flows_kg_s.sum(axis=0), state.drawn_kg_s, rtol=1e-3)
    filling = state.filling(RPM, UP_PA[VALVE])
    # speed-density relation, four-stroke: η·p·V·N/(120·R·T)
    drawn = filling * state.pa * Make().displacement_m3 * RPM / (120.0 * R_GAS * state.temp_k)
    np.testing.assert_allclose(state.drawn_kg_s, drawn, rtol=1e-3)


def test_speed_density_of_known_engines() -> None:
    # 2.0 L, 2000 rpm, 100 kPa, 298 K, η 1 → 38.97 g/s; 3.0 L, 2000, 50, 320, .85 → 23.13 (computed)
    for litres, kpa, temp, filling, g_s in [
        (2.0, 100, 298.0, 1.0, 38.97),
        (3.0, 50, 320.0, 0.85, 23.13),
    ]:
        make = Make(displacement_m3=litres * 1e-3)
        state = Manifold([make], np.array([kpa * 1e3]), np.array([temp]))
        drawn = state.cylinder_air_kg(np.array([filling]))[0] * 2000.0 / 120.0
        assert drawn * 1e3 == pytest.approx(g_s, rel=1e-3)


def test_step_length_hardly_matters() -> None:
    coarse, fine = manifold(), manifold()
    for _ in range(20):
        step(coarse, 0.1)
    for _ in range(200):
        step(fine, 0.01)
    np.testing.assert_allclose(coarse.pa, fine.pa, rtol=0.01)
    np.testing.assert_allclose(coarse.burnt_part, fine.burnt_part, atol=0.002)


def test_a_wide_open_throttle_at_low_speed_is_stable() -> None:
    state = Manifold([Make()], np.array([30e3]), np.array([310.0]))
    rpm = np.array([700.0])
    seen = []
    for _ in range(50):
        filling = state.filling(rpm, np.array([101e3]))
        state.step(0.1, AREA[:, 2:3], UP_PA[:, :1], UP_K[:, :1], WALL_K[:1], rpm, filling)
        seen.append(float(state.pa[0]))
    assert max(seen) < 99.5e3
    assert abs(seen[-1] - seen[-2]) < 20.0


def test_filling_times_pressure_is_close_to_affine_but_not_quite() -> None:
    pressures = np.linspace(25e3, 100e3, 16)
    state = Manifold([Make()] * 16, pressures, np.full(16, 320.0))
    drawn = state.filling(np.full(16, 2000.0), np.full(16, 103e3)) * pressures
    line = np.polyval(np.polyfit(pressures, drawn, 1), pressures)
    off = np.abs(drawn - line).max() / drawn.max()
    assert 0.001 < off < 0.03
