"""The flow law against tables and libraries from outside the project."""

import CoolProp.CoolProp as coolprop
import numpy as np
import pytest
from fluids.compressible import P_critical_flow

from sootsayer.demo.gas import GAMMA_AIR, GAMMA_BURNT, LAMINAR_PART, Orifices

AIR = Orifices(GAMMA_AIR)
BURNT = Orifices(GAMMA_BURNT)


@pytest.mark.parametrize(
    ("pressure_ratio", "area_ratio"),
    [(0.8430, 1.3398), (0.6560, 1.0382), (0.5283, 1.0)],  # NACA Report 1135, γ = 1.4: p/pt, A/A*
)
def test_flow_falls_with_pressure_as_in_naca_1135(pressure_ratio: float, area_ratio: float) -> None:
    choked = AIR.kg_s(1e-3, 1e5, 1e4, 300.0)
    flow = AIR.kg_s(1e-3, 1e5, pressure_ratio * 1e5, 300.0)
    assert choked / flow == pytest.approx(area_ratio, rel=2e-4)


@pytest.mark.parametrize("gamma", [1.30, 1.33, 1.35, 1.40])
def test_critical_ratio_equals_the_fluids_package(gamma: float) -> None:
    assert float(Orifices(gamma).critical) == pytest.approx(P_critical_flow(1.0, gamma), rel=1e-9)


def test_choked_air_at_standard_conditions() -> None:
    # 101.325 kPa, 288.15 K: 241.24 kg/(s·m²), computed from the choked-flow relation
    assert AIR.kg_s(1.0, 101325.0, 2e4, 288.15) == pytest.approx(241.24, rel=1e-4)


def test_choked_air_agrees_with_real_air_of_coolprop() -> None:
    pressure, temp = 101325.0, 288.15
    heat = coolprop.PropsSI("CPMASS", "T", temp, "P", pressure, "Air")
    heat_v = coolprop.PropsSI("CVMASS", "T", temp, "P", pressure, "Air")
    density = coolprop.PropsSI("DMASS", "T", temp, "P", pressure, "Air")
    gamma = heat / heat_v
    most = (2.0 / (gamma + 1.0)) ** ((gamma + 1.0) / (2.0 * (gamma - 1.0)))
    real = np.sqrt(gamma * pressure * density) * most
    assert AIR.kg_s(1.0, pressure, 2e4, temp) == pytest.approx(real, rel=3e-3)


@pytest.mark.parametrize(("down_kpa", "g_s"), [(40.0, 3.091), (80.0, 2.660), (100.0, 1.091)])
def test_recirculation_valve_of_20_mm2(down_kpa: float, g_s: float) -> None:
    # 20 mm² effective, 103 kPa, 700 K, γ 1.33, R 287: computed from the same published relations
    flow = BURNT.kg_s(20e-6, 103e3, down_kpa * 1e3, 700.0)
    assert flow * 1e3 == pytest.approx(g_s, rel=2e-3)


def test_nothing_flows_at_equal_pressures_and_backward_beyond() -> None:
    assert AIR.kg_s(1e-3, 1e5, 1e5, 300.0) == 0.0
    assert AIR.kg_s(1e-3, 1e5, 1.01e5, 300.0) < 0.0


def test_flow_is_smooth_into_the_laminar_part() -> None:
    edge = 1.0 - LAMINAR_PART
    below, above = AIR.kg_s(1e-3, 1e5, np.array([edge - 1e-7, edge + 1e-7]) * 1e5, 300.0)
    assert below == pytest.approx(above, rel=1e-4)
