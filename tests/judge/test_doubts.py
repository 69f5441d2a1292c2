"""Findings that rest on an accused input, and what looks like recirculation and is none."""

from __future__ import annotations

import pytest

from sootsayer.derive.balance import FlowBalance
from sootsayer.judge.doubts import rests_on, spoilt_channels, with_doubt
from sootsayer.judge.lookalikes import height_m, lookalikes
from sootsayer.rules.book import load_rules
from sootsayer.rules.engine import Rules
from sootsayer.rules.watches import ChanceWatch


def with_failures(*names: str, fact: str = "") -> Rules:
    rules = Rules(load_rules())
    for name in names:
        watch = rules.watches[name]
        assert isinstance(watch, ChanceWatch)
        for step in range(12):
            found = watch.add(step * 1000, step * 1000, True, watch.limit(), step, {}, fact)
            watch.settle(found, step * 1000)
        assert watch.open, name
    return rules


def with_exposure(rules: Rules, *names: str) -> Rules:
    for name in names:
        watch = rules.watches[name]
        if isinstance(watch, ChanceWatch):
            watch.total = 50
        else:
            watch.rows = 5000.0  # type: ignore[attr-defined]
    return rules


def test_pressure_at_a_wrong_throttle_place_accuses_nothing():
    rules = with_failures("F1S", "P3T")
    spoilt = spoilt_channels(rules, FlowBalance(2.0))
    assert spoilt == {"tp": "Closed throttle reads off its place"}
    assert rests_on(rules.book["F1S"], spoilt) == "tp"
    assert rests_on(rules.book["F1"], spoilt) is None  # rests on the air meter
    by_throttle = FlowBalance(2.0)
    by_throttle.mode = "throttle"
    assert rests_on(rules.book["F1"], spoilt_channels(rules, by_throttle)) == "maf"
    alert = next(a for a in rules.open_alerts() if a.rule == "F1S")
    assert "in doubt" in with_doubt(alert, rules, spoilt).doubt


def test_a_channel_that_stands_still_spoils_what_rests_on_it():
    rules = with_failures("F1", "R2", fact="stood still: map")
    spoilt = spoilt_channels(rules, FlowBalance(2.0))
    assert rests_on(rules.book["F1"], spoilt) == "map"
    assert rests_on(rules.book["E2"], spoilt) is None


def test_withheld_permission_stays_accused_when_its_input_is():
    """A wrong throttle input is why nothing is asked for; that finding stands."""
    rules = with_failures("P3T")
    assert rests_on(rules.book["P2"], spoilt_channels(rules, FlowBalance(2.0))) is None


@pytest.mark.parametrize(
    ("failing", "exposed", "words"),
    [
        (("E2",), ("F2",), "weak ignition"),
        (("E5",), ("F2",), "idle air control"),
        (("E1",), ("F1",), "knock sensor"),
        (("E3",), ("F2",), "battery"),
        (("P3C",), (), "thermostat"),
        (("P3C", "P3S"), (), "temperature input"),
        (("N2",), (), "air meter"),
        (("N1",), (), "intake leak"),
        (("P3T",), (), "throttle input"),
    ],
)
def test_lookalikes_are_said(failing, exposed, words):
    rules = with_exposure(with_failures(*failing), *exposed)
    said = lookalikes(rules, FlowBalance(2.0))
    assert len(said) == 1
    assert words in said[0]


@pytest.mark.parametrize(
    ("failing", "exposed"),
    [
        (("E2",), ()),  # whether gas leaks in was not seen: nothing can be excluded
        (("E2", "M2"), ("F2",)),  # the valve does not shut
        (("E1", "F1"), ("F1",)),  # no gas: knock is its effect
    ],
)
def test_what_may_be_recirculation_is_not_talked_away(failing, exposed):
    assert lookalikes(with_exposure(with_failures(*failing), *exposed), FlowBalance(2.0)) == ()


def test_thin_air_is_said():
    balance = FlowBalance(2.0)
    balance.baro_kpa = 82.0
    (said,) = lookalikes(Rules(load_rules()), balance)
    assert "82 kPa" in said


@pytest.mark.parametrize(("kpa", "metres"), [(101.325, 0), (89.875, 1000), (79.495, 2000)])
def test_height_of_the_standard_atmosphere(kpa, metres):
    """Table values of the international standard atmosphere (ISO 2533: 1000 m, 2000 m)."""
    assert height_m(kpa) == pytest.approx(metres, abs=3)


@pytest.mark.parametrize(("moved_pct", "believed"), [(3.0, True), (9.0, False), (-9.0, False)])
def test_trims_that_moved_take_the_air_meter_along(moved_pct, believed):
    """Fuel follows the meter: what is corrected otherwise than when breathing was learned."""
    rules, balance = with_failures("F1"), FlowBalance(2.0)
    balance.mode = "maf"
    balance.trims.taught_rows, balance.trims.taught_sum = 100.0, 200.0
    balance.trims.usual_pct = 2.0 + moved_pct
    spoilt = spoilt_channels(rules, balance)
    assert (rests_on(rules.book["F1"], spoilt) is None) == believed
    assert (rests_on(rules.book["C2"], spoilt) is None) == believed  # it measured with the same
    assert rests_on(rules.book["C1"], spoilt) is None  # a stored code stays a fact
    assert any("air meter" in said for said in lookalikes(rules, balance)) != believed
    if not believed:
        alert = next(a for a in rules.open_alerts() if a.rule == "F1")
        assert f"moved by {moved_pct:+.0f} points" in with_doubt(alert, rules, spoilt).doubt


def test_an_air_meter_that_reads_wrong_at_times_accuses_nothing():
    rules, balance = with_failures("F1"), FlowBalance(2.0)
    balance.trims.openings, balance.trims.contradicted = 40.0, 13.0
    spoilt = spoilt_channels(rules, balance)
    assert rests_on(rules.book["F1"], spoilt) == "maf"
    assert "at 13 of 40 openings" in spoilt["maf"]
