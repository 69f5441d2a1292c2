"""Exact intervals against SciPy and against worked values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from sootsayer.derive.chance import chances_needed, lower_bound, tail, two_in_a_row, upper_bound


@given(st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_interval_equals_scipy(case):
    k, n = case
    interval = stats.binomtest(k, n).proportion_ci(0.95, method="exact")
    assert lower_bound(k, n) == pytest.approx(interval.low, abs=1e-9)
    assert upper_bound(k, n) == pytest.approx(interval.high, abs=1e-9)


@given(st.integers(0, 60), st.integers(1, 60), st.floats(0, 1))
def test_tail_equals_scipy(k, n, rate):
    assert tail(k, n, rate) == pytest.approx(stats.binom.sf(k - 1, n, rate), abs=1e-9)


@pytest.mark.parametrize(
    ("k", "n", "low", "high"), [(1, 20, 0.0013, 0.249), (3, 50, 0.0125, 0.1655)]
)
def test_worked_intervals(k, n, low, high):
    assert lower_bound(k, n) == pytest.approx(low, abs=6e-5)
    assert upper_bound(k, n) == pytest.approx(high, abs=6e-4)


@pytest.mark.parametrize(("n", "bound"), [(10, 0.259), (20, 0.139), (59, 0.0495), (299, 0.00997)])
def test_no_failure_yet(n, bound):
    """1 − 0.05^(1/n), the exact form of the rule of three."""
    assert upper_bound(0, n, 0.05) == pytest.approx(bound, rel=4e-3)


def test_two_in_a_row_needs_thirty_trips_at_one_in_five():
    """Closed form against the plain Markov chain of 0, 1, 2 failures in a row."""
    assert two_in_a_row(0.2) == pytest.approx(30)
    for rate in (0.1, 0.37, 0.9):
        chain = np.array([[1 - rate, rate], [1 - rate, 0.0]])
        waits = np.linalg.solve(np.eye(2) - chain, np.ones(2))
        assert two_in_a_row(rate) == pytest.approx(waits[0])


@pytest.mark.parametrize(
    ("rate", "chances"), [(0.5, 5), (0.2, 14), (0.1, 29), (0.05, 59), (0.01, 299)]
)
def test_chances_needed(rate, chances):
    assert chances_needed(rate) == chances
