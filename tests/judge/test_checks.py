"""Hand checks: information against SciPy, consistent belief, and what cannot be done here."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import entropy

from sootsayer.judge.architecture import Sight, valve_table
from sootsayer.judge.causes import cause_table, weigh_causes
from sootsayer.judge.checks import (
    applies,
    chances,
    check_table,
    expected_bits,
    outcome_chance,
    propose_check,
)
from sootsayer.rules.book import load_rules

CHECKS = tuple(check_table()["checks"])
VALVES = tuple(valve_table())
# Hand checks that service literature names.
LISTED = (
    "holds_vacuum", "open_by_hand", "small_vacuum", "solenoid_flow", "solenoid_resistance",
    "vacuum_arrives", "nipple_and_hoses", "passage_temperature", "exhaust_pressure", "block_plate",
    "pressure_key_on", "gear_reading",
)  # fmt: skip
RULES = sorted(name for name, rule in load_rules().items() if rule.link is not None)
FINDINGS = st.sets(st.sampled_from(RULES), min_size=1, max_size=4)
SIGHTS = st.builds(
    lambda valve, position: Sight({valve: 1.0}, position, frozenset({"egr_err", "n_d_stat"})),
    st.sampled_from(VALVES),
    st.booleans(),
)


def weigh(tripped, sight=None, found=None):
    return weigh_causes({rule: rule for rule in tripped}, frozenset(RULES), found, sight)


@pytest.mark.parametrize("check", LISTED)
def test_every_customary_check_is_there(check):
    assert check in CHECKS


@pytest.mark.parametrize("check", CHECKS)
def test_a_check_is_whole(check):
    entry = check_table()["checks"][check]
    count = len(entry["outcomes"])
    assert entry["minutes"] > 0
    assert entry["do"]
    assert entry["tools"]
    assert count >= 2
    assert all(outcome["text"] and outcome["means"] for outcome in entry["outcomes"].values())
    assert set(entry["likely"]) <= set(cause_table().causes)
    assert set(entry.get("valves", VALVES)) <= set(VALVES)
    for likely in (entry["otherwise"], *entry["likely"].values()):
        assert len(likely) == count
        assert sum(likely) == pytest.approx(1.0)
        assert min(likely) > 0  # no finding is beyond error
    for cause in cause_table().causes:
        assert sum(chances(check, cause)) == pytest.approx(1.0)


def test_every_cause_is_told_by_some_check():
    """For each cause there is a check that finds it at least four times as often as it is found
    where it is not: what cannot be confirmed need not be listed."""
    for cause in set(cause_table().causes) - {"none_of_these"}:
        best = max(
            max(np.array(chances(check, cause)) / np.array(entry["otherwise"]))
            for check, entry in check_table()["checks"].items()
        )
        assert best >= 4, cause


@given(FINDINGS, SIGHTS, st.sampled_from(CHECKS))
def test_what_is_expected_of_a_check_is_what_is_believed_before_it(tripped, sight, check):
    """Conservation of belief: the mean of the weights after, over all outcomes, is the weights
    before (law of total probability)."""
    before = {c.cause: c.weight for c in weigh(tripped, sight)}
    mean = dict.fromkeys(before, 0.0)
    for outcome in check_table()["checks"][check]["outcomes"]:
        chance = sum(w * outcome_chance(check, outcome, c) for c, w in before.items())
        for cause in weigh(tripped, sight, {check: outcome}):
            mean[cause.cause] += chance * cause.weight
    for name, weight in before.items():
        assert mean[name] == pytest.approx(weight, abs=1e-9)


@given(FINDINGS, SIGHTS)
def test_no_check_is_proposed_that_cannot_be_done_on_the_car(tripped, sight):
    proposed = propose_check(weigh(tripped, sight), (), sight)
    if proposed is not None:
        entry = check_table()["checks"][proposed.check]
        assert sight.valve in entry.get("valves", VALVES)
        assert "channel" not in entry or sight.channels & set(entry["channel"])
        assert len(proposed.cautions) >= len(check_table()["cautions_always"])


def test_information_equals_scipy():
    """Mutual information as entropy before minus expected entropy after, by SciPy."""
    weights = {cause.cause: cause.weight for cause in weigh({"F1"})}
    for check in CHECKS:
        likely = np.array([chances(check, cause) for cause in weights])
        prior = np.array(list(weights.values()))
        joint = prior[:, None] * likely
        after = sum(
            joint[:, o].sum() * entropy(joint[:, o] / joint[:, o].sum(), base=2)
            for o in range(joint.shape[1])
        )
        assert expected_bits(weights, check) == pytest.approx(
            entropy(prior, base=2) - after, abs=1e-9
        )


@pytest.mark.parametrize("tripped", [{"F1"}, {"M1", "M8"}, {"E2"}, {"P2"}, {"N1"}])
def test_the_proposed_check_is_the_best_per_minute(tripped):
    sight = Sight({"lift": 1.0}, channels=frozenset({"egr_err", "n_d_stat"}))
    causes = weigh(tripped, sight)
    weights = {cause.cause: cause.weight for cause in causes}
    proposed = propose_check(causes, (), sight)
    assert proposed is not None
    best = proposed.bits / proposed.minutes
    for check, entry in check_table()["checks"].items():
        assert applies(entry, sight) * expected_bits(weights, check) / entry["minutes"] <= (
            best + 1e-3
        )


def test_a_check_that_was_done_is_not_proposed_again():
    causes = weigh({"F1"})
    first = propose_check(causes)
    assert first is not None
    second = propose_check(causes, {first.check: ""})
    assert second is not None
    assert second.check != first.check


@pytest.mark.parametrize(
    ("tripped", "check", "outcome", "cause"),
    [
        ({"F1", "F1S"}, "open_by_hand", "no_change", "passage_choked"),
        ({"M1", "M8"}, "nipple_and_hoses", "leak", "vacuum_supply"),
        ({"M1", "M8"}, "holds_vacuum", "leaks", "diaphragm"),
        ({"M1", "M8"}, "circuit_at_plug", "dead", "command_circuit"),
        ({"M1", "M8"}, "solenoid_flow", "fails", "solenoid_dead"),
        ({"F2", "E2"}, "block_plate", "cures", "leaking_shut"),
        ({"M2"}, "position_by_hand", "reads_wrong", "position_sensor"),
        ({"E2"}, "intake_leak", "leaks", "air_leak"),
        ({"P2"}, "gear_reading", "wrong", "gear_input"),
    ],
)
def test_a_result_moves_the_weight_to_its_cause(tripped, check, outcome, cause):
    sight = Sight({"lift": 1.0})
    before = {c.cause: c.weight for c in weigh(tripped, sight)}
    after = weigh(tripped, sight, {check: outcome})
    moved = next(c for c in after if c.cause == cause)
    assert moved.weight / (1 - moved.weight) > 2 * before[cause] / (1 - before[cause])
    assert any("found by hand" in why for why in moved.speaks_for)
