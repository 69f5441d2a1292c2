"""Which link broke first: what a broken link makes of later ones is explained, not accused, and
what it cannot explain stays accused beside it."""

from __future__ import annotations

import pytest

from sootsayer.derive.balance import FlowBalance
from sootsayer.derive.quantities import Reader
from sootsayer.judge.links import Evidence, explains, judge_links
from sootsayer.judge.tally import Tally
from sootsayer.model import Link, LinkFinding, LinkState
from sootsayer.rules.book import load_rules
from sootsayer.rules.engine import Rules
from sootsayer.rules.watches import ChanceWatch, LevelWatch, TimeWatch
from sootsayer.vehicle import Vehicle

RULES = load_rules()
SIGNS = {
    LinkState.HOLDING: "H",
    LinkState.DOUBTFUL: "D",
    LinkState.BROKEN: "B",
    LinkState.UNSEEN: "U",
}


def tripped(*names: str) -> Rules:
    """Rules of which these have tripped, by their own watches."""
    rules = Rules(RULES)
    for name in names:
        watch = rules.watches[name]
        for step in range(60):
            t_ms = step * 60_000
            if isinstance(watch, ChanceWatch):
                found = watch.add(t_ms, t_ms + 1, True, watch.limit(), step // 10, {}, "")
            elif isinstance(watch, TimeWatch):
                found = watch.add(t_ms, t_ms + 60_000, 60.0, 60.0, step // 10)
            else:
                assert isinstance(watch, LevelWatch)
                high = 2 * watch.rule.limit("raise_above")
                found = watch.add(t_ms, t_ms + 60_000, high, high / 100, 10_000)
            watch.settle(found, t_ms)
        assert watch.open, name
    return rules


def judged(*names: str, tally: Tally | None = None) -> tuple[LinkFinding, ...]:
    reader = Reader(Vehicle.unknown())
    reader.has = {"command": 9000, "actual": 9000, "rpm": 9000, "map": 9000, "maf": 9000}
    return judge_links(Evidence(tripped(*names), tally or Tally(), reader, FlowBalance(2.4)))


def states(*names: str) -> str:
    return "".join(SIGNS[finding.state] for finding in judged(*names))


@pytest.mark.parametrize(
    ("rules", "wanted"),
    [
        # two kinds break a link, one makes it doubtful
        (("M1",), "UUDUU"),
        (("M1", "M8"), "UUBUU"),
        (("F1",), "UUUDU"),
        (("F1", "F1S"), "UUUBU"),
        (("F1", "F7"), "UUUDU"),  # the same gas twice is one kind
        (("E2",), "UUUUD"),
        # missing gas explains what missing gas does
        (("M1", "M8", "F1", "F1S"), "UUBDU"),
        (("M1", "M8", "E1"), "UUBUD"),
        (("F1", "F1S", "E1"), "UUUBD"),
        # gas unasked explains rough idle, stalls and hard restarts
        (("M2", "F2", "E2"), "UUBDD"),  # rough idle supports move and flow
        (("F2", "E2", "E5"), "UUUBD"),
        # and neither explains the other: two faults at once
        (("M8", "M6", "F2", "F5H"), "UUBBU"),
        (("P1", "P2", "F2", "F5H"), "BUUBU"),
        (("P1", "P2", "E1"), "BUUUD"),
        # the control unit's own test does not say which link fails it, and so adds no second
        (("A1", "C2"), "UDUDU"),
        (("C2", "E2"), "UUUBD"),
    ],
)
def test_states(rules, wanted):
    assert states(*rules) == wanted


def test_an_explained_link_says_by_what():
    finding = next(f for f in judged("M1", "M8", "F1", "F1S") if f.link is Link.FLOW)
    assert "what is seen before it (move) would explain this" in finding.fact


def test_its_own_test_is_explained_by_a_link_before_that_is_only_doubtful():
    finding = next(f for f in judged("A1", "C2") if f.link is Link.FLOW)
    assert "what is seen before it (ask) would explain this" in finding.fact


def test_no_error_is_said_to_be_nothing():
    tally = Tally()
    tally.recent.extend([[0.6, 0.02, 4.5, 2.1, 0.04, 30.0, 30.0]] * 6)
    finding = next(f for f in judged("F1", tally=tally) if f.link is Link.FLOW)
    assert finding.fact.startswith("2.1 ± 0.1 % gas taken in, 13 % of what is due")


@pytest.mark.parametrize(
    ("earlier", "later", "explained"),
    [
        ({"P2", "P1"}, {"F1"}, True),
        ({"P2"}, {"F2"}, False),
        ({"M1", "M8"}, {"F1", "F5"}, True),
        ({"M1", "M8"}, {"F1", "F2"}, True),  # a valve off its place may stand too far open as well
        ({"M8"}, {"F2"}, False),
        ({"M2", "M7"}, {"F2", "F5H"}, True),
        ({"M2"}, {"F1"}, False),
        ({"F1"}, {"E1", "E4"}, True),
        ({"F1"}, {"E2"}, False),
        ({"F2"}, {"E2", "E3", "E5"}, True),
        ({"F2"}, {"E1"}, False),
    ],
)
def test_what_explains_what(earlier, later, explained):
    assert explains([RULES[name] for name in earlier], [RULES[name] for name in later]) == explained


def test_every_rule_of_a_link_says_something_of_gas():
    # P3M, F7S and F6Z accuse a sensor only.
    silent = {name for name, rule in RULES.items() if rule.link is not None and not rule.gas}
    assert silent == {"P3M", "F7S", "F6Z"}
