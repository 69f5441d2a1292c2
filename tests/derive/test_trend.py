"""Trends and drift against SciPy and published run lengths."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from sootsayer.derive.trend import CUSUM_SLACK, Cusum, concordance, mann_kendall, theil_sen

VALUES = st.lists(st.integers(-50, 50), min_size=4, max_size=30)


@given(VALUES, st.integers(0, 10))
def test_slope_and_limits_are_those_of_scipy(values, seed):
    x = np.sort(np.random.default_rng(seed).uniform(0, 100, len(values)))
    y = np.array(values, dtype=float)
    ours = theil_sen(x, y)
    theirs = stats.theilslopes(y, x)
    assert ours is not None
    assert ours.slope == pytest.approx(theirs.slope, rel=1e-9, abs=1e-12)
    assert ours.low == pytest.approx(theirs.low_slope, rel=1e-9, abs=1e-12)
    assert ours.high == pytest.approx(theirs.high_slope, rel=1e-9, abs=1e-12)


@given(st.lists(st.floats(-1e3, 1e3), min_size=4, max_size=25, unique=True))
def test_exact_chance_is_that_of_scipy(values):
    y = np.array(values)
    theirs = stats.kendalltau(np.arange(len(y)), y, method="exact").pvalue
    assert mann_kendall(y) == pytest.approx(theirs, rel=1e-9)


@given(st.lists(st.integers(0, 6), min_size=8, max_size=60))
def test_chance_with_ties_is_that_of_scipy_but_for_continuity(values):
    y = np.array(values, dtype=float)
    n, score = len(y), abs(concordance(y))
    if not score or len(set(values)) == n:
        return
    z_theirs = stats.norm.isf(stats.kendalltau(np.arange(n), y, method="asymptotic").pvalue / 2)
    expected = 2 * stats.norm.sf(z_theirs * (score - 1) / score)
    assert mann_kendall(y) == pytest.approx(min(1.0, expected), rel=1e-6)


@pytest.mark.parametrize(("n", "score", "p"), [(4, 6, 0.042), (5, 8, 0.042), (10, 21, 0.036)])
def test_published_tail_of_kendalls_s(n, score, p):
    """One-sided tails of Kendall's S as tabled in Hollander and Wolfe, Nonparametric Statistical
    Methods, table A.21 (figures from memory; SciPy's exact method above confirms them)."""
    order = next(
        y for y in (_with_score(n, score, seed) for seed in range(20)) if concordance(y) == score
    )
    assert mann_kendall(order) / 2 == pytest.approx(p, abs=6e-4)


def _with_score(n: int, score: int, seed: int) -> np.ndarray:
    """An order of n with the given S: rising, then neighbours exchanged, each worth two."""
    y = np.arange(n, dtype=float)
    generator = np.random.default_rng(seed)
    while concordance(y) > score:
        place = int(generator.integers(n - 1))
        if y[place] < y[place + 1]:
            y[[place, place + 1]] = y[[place + 1, place]]
    return y


@pytest.mark.parametrize(("limit", "published"), [(4.0, 168.0), (5.0, 465.0)])
def test_run_length_of_a_sound_car(limit, published):
    """Two-sided average run lengths at k = ½ (Montgomery, Introduction to Statistical Quality
    Control, table of the tabular cusum), recomputed here by a Markov chain of Brook and Evans
    (1972): one side's chain, two sides by 1/ARL = 1/ARL⁺ + 1/ARL⁻."""
    states = 400
    width = 2 * limit / (2 * states - 1)
    centres = np.arange(states) * width
    edges = centres[None, :] - centres[:, None] + CUSUM_SLACK
    upper = stats.norm.cdf(edges + width / 2)
    lower = stats.norm.cdf(edges - width / 2)
    lower[:, 0] = 0.0
    lengths = np.linalg.solve(np.eye(states) - (upper - lower), np.ones(states))
    assert lengths[0] / 2 == pytest.approx(published, rel=0.01)


def test_our_sums_have_that_run_length():
    generator = np.random.default_rng(3)
    lengths = []
    for _ in range(400):
        sums, steps = Cusum(), 0
        while max(sums.up, sums.down) < 4.0:
            sums.add(float(generator.normal()))
            steps += 1
        lengths.append(steps)
    error = np.std(lengths) / np.sqrt(len(lengths))
    assert np.mean(lengths) == pytest.approx(168, abs=4 * error)


def test_no_trend_in_next_to_nothing():
    assert mann_kendall(np.array([1.0, 2.0])) == 1.0
    assert mann_kendall(np.ones(12)) == 1.0
    assert theil_sen(np.ones(4), np.arange(4.0)) is None
