"""The rule book and what a vehicle file may change in it."""

from __future__ import annotations

import pytest

from sootsayer.model import SootsayerError
from sootsayer.rules.book import load_rules


def test_a_vehicle_may_replace_a_limit():
    assert load_rules({"F1": {"least_failed": 9}})["F1"].limit("least_failed") == 9


@pytest.mark.parametrize(
    ("overrides", "words"),
    [
        ({"F99": {"least_failed": 3}}, ["F9", "rules are"]),
        ({"F1": {"least_faild": 3}}, ["least_faild", "least_failed"]),
        ({"F1": {"least_failed": "three"}}, ["three", "number"]),
    ],
)
def test_mistakes_are_named(overrides, words):
    with pytest.raises(SootsayerError) as trouble:
        load_rules(overrides)
    for word in words:
        assert word in str(trouble.value)
