"""Which rules a car's channels arm, and what would arm more."""

from __future__ import annotations

import pytest

from sootsayer.judge.visibility import (
    CODES,
    OWN_WORD,
    RESULTS,
    additions,
    links_seen,
    nearest,
    needed_channels,
    unmet,
    visible,
)
from sootsayer.model import Link
from sootsayer.protocol.j1979 import scaling_of
from sootsayer.rules.book import load_rules
from sootsayer.sources.sensors.plans import ADDED_UNITS

RULES = load_rules()
BROADCAST = {"egr_dp"}  # heavy vehicles send it unasked (J1939)
ALL = {
    "rpm",
    "map",
    "maf",
    "tp",
    "egr_pct",
    "egr_err",
    "ect",
    "iat",
    "vss",
    "n_d_stat",
    CODES,
    RESULTS,
}


def armed(channels: set[str]) -> set[str]:
    return {sight.rule for sight in visible(channels, RULES) if sight.armed}


def test_every_need_is_a_channel_that_exists() -> None:
    for rule in RULES.values():
        assert rule.needs, rule.name
        for need in rule.needs:
            for channel in need.split("|"):
                elsewhere = channel in OWN_WORD or channel in ADDED_UNITS or channel in BROADCAST
                assert elsewhere or scaling_of(channel), (rule.name, channel)


def test_a_car_that_gives_all_arms_all() -> None:
    everything = {c for rule in RULES.values() for need in rule.needs for c in need.split("|")}
    assert armed(everything) == set(RULES)
    assert additions(everything, RULES) == ()


def test_nothing_arms_nothing() -> None:
    assert armed(set()) == set()
    assert nearest(set(), RULES)[0] == "rpm"


def test_alternatives_stand_in_for_each_other() -> None:
    composite = (ALL - {"egr_pct", "egr_err", "ect", "iat"}) | {"egr_a_cmd", "egr_a_act", "ect1"}
    assert unmet(RULES["M1"], composite) == ()
    assert unmet(RULES["F1"], composite) == ("iat|iat11",)


@pytest.mark.parametrize(
    ("lacking", "silent", "best"),
    [
        # a maker that meters by air mass alone: flow is not seen
        ({"map"}, {"F1", "F1S", "F2", "M8"}, "map"),
        ({"maf"}, {"F2"}, "maf"),  # the throttle stands in for all but the leak
        ({"egr_err"}, {"M1", "M2", "M8"}, "egr_a_act"),
        ({"n_d_stat"}, {"P1"}, "n_d_stat"),
    ],
)
def test_what_is_missing_and_what_would_help(
    lacking: set[str], silent: set[str], best: str
) -> None:
    channels = ALL - lacking
    assert set(RULES) - armed(channels) >= silent
    assert silent & armed(channels) == set()
    found = {addition.channel: set(addition.arms) for addition in additions(channels, RULES)}
    assert silent <= found[best]


def test_what_one_addition_promises_it_keeps() -> None:
    for lacking in ({"map"}, {"egr_pct"}, {"map", "n_d_stat"}, {"iat", "tp"}):
        channels = ALL - lacking
        for addition in additions(channels, RULES):
            assert set(addition.arms) == armed(channels | {addition.channel}) - armed(channels)


def test_a_car_without_command_needs_no_air_flow() -> None:
    assert "maf" in needed_channels(ALL, RULES)
    assert "maf" not in needed_channels(ALL - {"egr_pct"}, RULES)
    assert needed_channels(ALL, RULES) <= ALL


def test_what_only_a_control_unit_can_say_is_no_advice_and_makes_no_link_seen() -> None:
    own = {rule.name for rule in RULES.values() if not OWN_WORD.isdisjoint(rule.needs)}
    assert own == {"C1", "C2"} and own <= armed({CODES, RESULTS})
    assert not armed({CODES}) >= {"C2"}
    assert not any(sight.seen for sight in links_seen({CODES, RESULTS}, RULES))
    assert OWN_WORD.isdisjoint(addition.channel for addition in additions(set(), RULES))
    assert OWN_WORD.isdisjoint(nearest(set(), RULES))


def test_a_link_is_provable_by_two_kinds_and_doubtful_by_one() -> None:
    kinds = {sight.link: sight.kinds for sight in links_seen(ALL, RULES)}
    assert {"gas balance", "manifold pressure", "code"} <= set(kinds[Link.FLOW])
    alone = {"egr_pct", "rpm", "egr_err"}
    move = next(sight for sight in links_seen(alone, RULES) if sight.link is Link.MOVE)
    assert move.seen and move.kinds == ("position",)
