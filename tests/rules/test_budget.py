"""Each rule's share of the wrong accusations: the windows bear what sound chances can do."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from scipy import stats

from sootsayer.rules.book import load_rules

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bench"))
from alarms import BUDGET_PER_H, alarms_per_h, borne, least_failures

BY_POWER = ("F1", "F1S", "M8", "F7")  # a chance only where the due flow is five deviations
OPENINGS_PER_H = 60.0  # more than any commute of the demo has
# They speak at the first sighting, for what they report cannot happen by chance.
AT_ONCE = {"C2", "C3", "C4", "R2"}
# Two stalls in sixty stops are told although a clumsy driver makes them, too; its text says so, and
# it breaks no link by itself.
BELOW = {"E5"}


@pytest.mark.parametrize("name", BY_POWER)
def test_missing_gas_accuses_no_sound_car(name):
    """Below 15 % of a flow of five deviations lies 4.25 deviations off: one in 94,000 by SciPy's
    normal law. Even a hundred times that, for tails heavier than normal, is within the budget."""
    rule = load_rules()[name]
    rate = 100 * stats.norm.sf(5 * rule.limit("fail_above") / 100)
    assert alarms_per_h(rule, rate, OPENINGS_PER_H) < BUDGET_PER_H


@pytest.mark.parametrize(
    "name",
    [n for n, r in load_rules().items() if r.counts == "chances" and n not in AT_ONCE | BELOW],
)
def test_single_failures_of_a_sound_car_are_borne(name):
    """One sound chance in 2,000 may fail, at sixty chances an hour for openings and ten for what
    is rarer, without passing the budget."""
    rule = load_rules()[name]
    per_h = OPENINGS_PER_H if rule.limit("window") >= 200 else 10.0
    assert borne(rule, per_h) > 1 / 2000


def test_first_windows_count():
    """By hand: Clopper and Pearson's lower limit of 3 of 3 is 0.025^(1/3) = 29 %, of 2 of 2 16 %
    (SciPy agrees), so with at least two failures and a share of 20 % three of three are needed."""
    assert stats.beta.ppf(0.025, 3, 1) == pytest.approx(0.292, abs=5e-4)
    assert stats.beta.ppf(0.025, 2, 1) == pytest.approx(0.158, abs=5e-4)
    assert least_failures(2, 0.20, 3) == 3
    assert least_failures(2, 0.20, 2) == 3  # none suffice
