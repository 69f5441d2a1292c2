"""Causes by Bayes and the next check by information, against arithmetic done otherwise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import entropy

from sootsayer.judge.causes import (
    cause_table,
    check_table,
    expected_bits,
    propose_check,
    weigh_causes,
)

ALL_RULES = {"P1", "P2", "A1", "M1", "M2", "M8", "F1", "F1S", "F2", "E2"}


def weigh(tripped: set[str], exposed: set[str] = ALL_RULES):
    return weigh_causes({rule: rule for rule in tripped}, exposed)


def test_weights_are_bayes_by_the_book():
    """Recomputed with NumPy as a plain product of prior and likelihoods."""
    mistake, causes = cause_table()
    found = {cause.cause: cause.weight for cause in weigh({"F1", "F1S"})}
    plain = {}
    for name, entry in causes.items():
        chances = [entry.shows[r][0] if r in entry.shows else mistake for r in sorted(ALL_RULES)]
        hits = [r in ("F1", "F1S") for r in sorted(ALL_RULES)]
        plain[name] = entry.prior * np.prod(np.where(hits, chances, 1 - np.array(chances)))
    whole = sum(plain.values())
    for name, value in plain.items():
        assert found[name] == pytest.approx(value / whole, rel=1e-9)


@pytest.mark.parametrize(
    ("tripped", "first"),
    [
        ({"F1", "F1S"}, "passage_choked"),
        ({"M1", "M8"}, "stuck_shut"),
        ({"F2", "E2"}, "leaking_shut"),
        ({"M2", "F2", "E2"}, "stuck_open"),
        ({"P1", "P2"}, "gear_input"),
        ({"P2"}, "inhibited"),
        ({"A1"}, "command_wrong"),
    ],
)
def test_the_usual_pictures(tripped, first):
    assert weigh(tripped)[0].cause == first


def test_rough_idle_alone_blames_no_part_for_sure():
    causes = weigh({"E2"})
    assert causes[0].cause == "none_of_these" or causes[0].weight < 0.75


def test_a_rule_without_exposure_says_nothing():
    """A car without position sensor cannot acquit the diaphragm by its quiet M1."""
    blind = {c.cause: c.weight for c in weigh({"F1"}, ALL_RULES - {"M1", "M2", "M8"})}
    seeing = {c.cause: c.weight for c in weigh({"F1"})}
    assert blind["diaphragm"] > 5 * seeing["diaphragm"]


def test_weights_add_up_and_nothing_tripped_means_nothing_to_explain():
    assert sum(cause.weight for cause in weigh({"F1", "C1"})) == pytest.approx(1.0)
    assert weigh(set()) == ()


def test_information_equals_scipy():
    """Mutual information as entropy before minus expected entropy after, by SciPy."""
    weights = {cause.cause: cause.weight for cause in weigh({"F1"})}
    outcomes = check_table()["checks"]["open_by_hand"]["outcomes"]
    likely = np.array(
        [[o["likely"].get(c, 1 / len(outcomes)) for o in outcomes.values()] for c in weights]
    )
    likely /= likely.sum(axis=1, keepdims=True)
    prior = np.array(list(weights.values()))
    joint = prior[:, None] * likely
    after = sum(
        joint[:, o].sum() * entropy(joint[:, o] / joint[:, o].sum(), base=2)
        for o in range(joint.shape[1])
    )
    assert expected_bits(weights, outcomes) == pytest.approx(
        entropy(prior, base=2) - after, rel=1e-9
    )


def test_the_proposed_check_is_the_best_per_minute():
    causes = weigh({"F1"})
    weights = {cause.cause: cause.weight for cause in causes}
    proposed = propose_check(causes)
    assert proposed is not None
    assert proposed.cautions
    best = proposed.bits / proposed.minutes
    for entry in check_table()["checks"].values():
        assert expected_bits(weights, entry["outcomes"]) / entry["minutes"] <= best + 1e-3


def test_tables_name_only_known_causes_and_rules():
    from sootsayer.rules.book import load_rules

    _, causes = cause_table()
    rules = load_rules()
    for entry in causes.values():
        assert set(entry.shows) <= set(rules)
    for entry in check_table()["checks"].values():
        for outcome in entry["outcomes"].values():
            assert set(outcome["likely"]) <= set(causes)
