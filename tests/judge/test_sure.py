"""How sure: rates with exact intervals, in the words of the rule that counts."""

from __future__ import annotations

from typing import Any

import pytest

from sootsayer.judge.sure import say_sure
from sootsayer.model import Alert, AlertState
from sootsayer.rules.book import load_rules

SHIPPED = load_rules()
OWN: dict[str, Any] = {
    **SHIPPED["E3"].limits, "title": "Cranks long", "counts": "chances", "link": "effect",
    "measure": "hot restart", "channels": ["rpm"], "text": "x", "reason": "y",
}  # fmt: skip
RULES = load_rules({"U1": OWN, "U2": {**OWN, "noun": "restarts"}})


def sure(rule: str) -> str:
    alert = Alert(
        rule, RULES[rule].link, AlertState.OPEN, 0, 0, 0, None, 10, 40, 100.0, 1.0, 1.0, "",
        RULES[rule].title, "text", ("rpm",),
    )  # fmt: skip
    return " ".join(say_sure((), [alert], RULES, 40, 7200.0))


@pytest.mark.parametrize(
    ("rule", "noun"),
    [("F1", "openings"), ("F2S", "warm stops"), ("F6F", "openings"), ("U1", "chances"),
     ("U2", "restarts")],
)  # fmt: skip
def test_a_rate_is_told_in_the_words_of_its_rule(rule, noun):
    """10 of 40 by Clopper and Pearson: 12.7 to 41.2 % (SciPy's binomtest agrees)."""
    said = f"{RULES[rule].title}: 10 of 40 {noun}; the true rate lies between 13 and 41 % (95 %)."
    assert said in sure(rule)


@pytest.mark.parametrize("rule", ["P2", "F2", "F7", "C2"])
def test_what_has_no_noun_has_no_rate(rule):
    assert "the true rate" not in sure(rule)


def test_only_what_is_counted_in_chances_has_a_noun():
    assert {rule.counts for rule in SHIPPED.values() if rule.noun} == {"chances"}
