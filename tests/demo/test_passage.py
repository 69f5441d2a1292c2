"""The passage warms quickly under gas, cools slowly without, and carbon hides it."""

from __future__ import annotations

import numpy as np
import pytest

from sootsayer.demo.passage import Passage

BAY_K, GAS_K = 310.0, 600.0


def after(passage: Passage, seconds: int, gas_g_s: float, coked: float = 0.0) -> float:
    one = np.ones(1)
    for _ in range(seconds):
        passage.step(1.0, one * gas_g_s * 1e-3, one * GAS_K, one * BAY_K, one * coked)
    return float(passage.sensed_k[0])


def test_it_settles_between_bay_and_gas() -> None:
    passage = Passage(np.array([BAY_K]))
    assert BAY_K + 20 < after(passage, 1200, 0.0) < BAY_K + 35
    assert 0.7 * (GAS_K - BAY_K) < after(passage, 600, 5.0) - BAY_K < GAS_K - BAY_K


def test_on_is_quicker_than_off_and_both_within_what_is_known() -> None:
    # first order, on 20–60 s, off 60–180 s: usual figures for a passage sensor (memory)
    passage = Passage(np.array([BAY_K]))
    cold = after(passage, 1200, 0.0)
    part = [(after(passage, 1, 5.0) - cold) for _ in range(600)]
    on_s = int(np.searchsorted(np.array(part), 0.632 * part[-1]))
    hot = after(passage, 1, 5.0)
    fall = [(hot - after(passage, 1, 0.0)) for _ in range(1200)]
    off_s = int(np.searchsorted(np.array(fall), 0.632 * fall[-1]))
    assert 20 < on_s < 60 < off_s < 180


@pytest.mark.parametrize(("coked", "left"), [(0.0, 1.0), (0.5, 0.525), (1.0, 0.05)])
def test_carbon_on_the_sensor_takes_its_part_of_the_rise(coked: float, left: float) -> None:
    rise = after(Passage(np.array([BAY_K])), 2000, 5.0, coked) - BAY_K
    clean = after(Passage(np.array([BAY_K])), 2000, 5.0) - BAY_K
    assert rise == pytest.approx(left * clean, rel=0.01)
