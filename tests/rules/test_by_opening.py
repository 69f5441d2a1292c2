"""What openings say to the rules of Move and Flow, and in which words."""

from __future__ import annotations

from typing import Any

import pytest

from sootsayer.derive.opened import Flow, Judged
from sootsayer.model import Opening
from sootsayer.rules.book import load_rules
from sootsayer.rules.by_opening import flow, flow_when_short, stayed_shut
from sootsayer.rules.by_response import flows_without_move
from sootsayer.rules.watches import ChanceWatch
from sootsayer.units import say_error

RULES = load_rules()


def opened(
    flow_g_s: float, sd_g_s: float, moved_pct: float | None = 30.0, **counted: Any
) -> Judged:
    """Half a minute asked to 30 %, with 4.5 g/s due."""
    shown = Opening(1, 1, 0, 30_000, 30.0, moved_pct, *[None] * 8, {})
    frames = {"settled_frames": 50, "short_frames": 0, "over_frames": 0, "measured": True} | counted
    return Judged(shown, flow=Flow(flow_g_s, sd_g_s, 4.5, 4.5), cross=None, **frames)


@pytest.mark.parametrize(
    ("error", "shown"),
    [(0.0, "0.1"), (0.04, "0.1"), (0.1, "0.1"), (0.11, "0.2"), (0.3, "0.3"), (1.96, "2.0")],
)
def test_errors_are_rounded_up(error, shown):
    assert say_error(error) == shown
    assert say_error(0.1 + 0.2) == "0.3"  # 0.30000000000000004 is no more than 0.3


def test_an_error_too_small_to_print_is_not_said_to_be_nothing():
    chance = flow(RULES["F1"], opened(0.6, 0.03))
    assert chance is not None
    assert chance.failed
    assert chance.fact == "gas displaced 0.6 ± 0.1 g/s of air where 4.5 is due"


def test_little_gas_is_not_called_none():
    """0.6 of 4.5 g/s is 13 %: below the limit, and measured for sure."""
    watch = ChanceWatch(RULES["F1"])
    chance = flow(watch.rule, opened(0.6, 0.03))
    assert chance is not None
    for t_ms in range(0, 600_000, 60_000):
        found = watch.add(t_ms, t_ms + 30_000, chance.failed, chance.measure, 1, {}, chance.fact)
        alert = watch.settle(found, t_ms)
    assert alert is not None
    assert alert.title == "Hardly any gas although the valve opened"
    assert alert.text == (
        "On 10 of 10 openings more than 85 % of the exhaust that was due did not come."
    )


def test_a_vehicles_own_limit_stands_in_the_text():
    rule = load_rules({"F1": {"fail_above": 70}})["F1"]
    assert "more than {limit:.0f} %" in rule.text
    assert ChanceWatch(rule).limit() == 70


def test_a_short_reading_with_gas_as_asked_is_the_sensors():
    chance = flow_when_short(RULES["M8"], opened(4.4, 0.1, short_frames=50))
    assert chance is not None
    assert not chance.failed
    assert chance.fact.startswith("gas displaced 4.4 ± 0.1 g/s of air where 4.5 is due")


@pytest.mark.parametrize(("moved_pct", "shut"), [(None, False), (4.9, True), (5.0, False)])
def test_a_valve_that_did_not_open_gives_flow_no_chance(moved_pct, shut):
    judged = opened(0.6, 0.03, moved_pct=moved_pct)
    assert stayed_shut(judged.opening) is shut
    assert (flow(RULES["F1"], judged) is None) is shut


@pytest.mark.parametrize(
    ("moved_pct", "counts"),
    [(0.5, True), (2.0, True), (4.6, False), (30.0, False)],
)
def test_a_small_opening_that_is_followed_is_not_one_that_stays_shut(moved_pct, counts):
    """Asked to 4.7 %: within five points of shut it may stand just where it was asked to."""
    shown = Opening(1, 1, 0, 30_000, 4.7, moved_pct, *[None] * 8, {})
    judged = Judged(shown, 50, 0, 0, True, flow=Flow(1.5, 0.1, 1.4, 1.6), cross=None)
    assert (flows_without_move(RULES["F7S"], judged) is not None) == counts
