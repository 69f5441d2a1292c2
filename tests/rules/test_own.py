"""Rules of the user's own: they judge like shipped ones, and each mistake is named."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import pytest

from plain_engine import Faults, as_series, batches, recording
from sootsayer.checking import check_config
from sootsayer.model import Gas, SootsayerError
from sootsayer.pipeline import Pipeline
from sootsayer.rules.book import load_rules
from sootsayer.rules.engine import Rules
from sootsayer.vehicle import Vehicle, load_vehicle

OWN: dict[str, Any] = {
    "title": "Intake air is hot in cruise", "counts": "time", "gate": "cruise", "quantity": "iat",
    "above": 45, "lasting_s": 5, "window_s": 600, "least_s": 60, "least_trips": 1,
    "raise_share": 0.2, "clear_share": 0.05, "channels": ["iat", "vss"],
    "text": "{measure:.0f} % of {eligible} of cruise.", "reason": "our own air box",
}  # fmt: skip


def with_change(key: str, value: object) -> dict[str, dict[str, Any]]:
    changed = copy.deepcopy(OWN)
    if value is None:
        del changed[key]
    else:
        changed[key] = value
    return {"U1": changed}


def judged(iat_c: float) -> list[str]:
    series = [s for s in recording(Faults(), trips=1) if s.channel != "iat"]
    t_ms = series[0].t_ms.astype(float)
    series.append(as_series("iat", t_ms, np.full(len(t_ms), iat_c)))
    pipeline = Pipeline(Vehicle("test", 0.95, 4, "petrol", rules={"U1": OWN}))
    for batch in batches(series, []):
        pipeline.feed(batch)
    return [alert.text for alert in pipeline.verdict().alerts if alert.rule == "U1"]


def test_an_own_rule_raises_its_alert_on_a_channel_by_name():
    assert judged(30.0) == []
    assert judged(60.0)[0].startswith("100 % of")


def test_an_own_rule_may_share_a_shipped_measure():
    shipped = load_rules()["E3"]
    own = {
        "title": "Cranks longer than it used to", "counts": "chances", "measure": "hot restart",
        "channels": ["rpm"], "text": "{fact}", "reason": "a tired starter", **shipped.limits,
        "fail_above": 1.0,
    }  # fmt: skip
    assert load_rules({"U2": own})["U2"].limit("fail_above") == 1.0


RESTARTS: dict[str, Any] = {
    **load_rules()["E3"].limits, "title": "t", "counts": "chances", "measure": "hot restart",
    "channels": ["rpm"], "text": "x", "reason": "y",
}  # fmt: skip


def test_an_own_rule_names_its_chances_and_what_it_says_of_gas():
    rule = load_rules({"U1": {**RESTARTS, "noun": "restarts", "gas": ["missing"]}})["U1"]
    assert (rule.noun, rule.gas) == ("restarts", {Gas.MISSING})


def test_without_a_noun_its_chances_are_chances_and_it_says_nothing_of_gas():
    rules = load_rules({"U1": RESTARTS, "U2": OWN})
    assert (rules["U1"].noun, rules["U1"].gas) == ("chances", frozenset())
    assert rules["U2"].noun == ""  # it counts time, of which no rate is told


@pytest.mark.parametrize(
    ("overrides", "words"),
    [
        (with_change("title", None), ["rules.U1", "title"]),
        (with_change("counts", "often"), ["often", "time, chances, level"]),
        (with_change("least_s", None), ["least_s", "missing"]),
        (with_change("least_s", "long"), ["least_s", "long", "number"]),
        (with_change("below", 3), ["above", "below"]),
        (with_change("link", "gas"), ["gas", "permit"]),
        (with_change("raise_shar", 0.3), ["raise_shar", "raise_share"]),
        (with_change("text", "{measur}"), ["{measur}", "measure"]),
        (with_change("gas", ["lacking"]), ["rules.U1", "lacking", "missing, unasked"]),
        (with_change("gas", "missing"), ["rules.U1", "gas = 'missing'", "list"]),
        (with_change("noun", 3), ["rules.U1", "noun = 3", "quotes"]),
        (with_change("nown", "drives"), ["nown", "noun"]),
        (with_change("channels", "iat"), ["channels", "brackets"]),
        ({"U1": {**OWN, "counts": "chances", "window": 9}}, ["window_s", "window"]),
        ({"X1": OWN}, ["X1", "U1"]),
    ],
)
def test_mistakes_are_named(overrides, words):
    with pytest.raises(SootsayerError) as trouble:
        load_rules(overrides)
    for word in words:
        assert word in str(trouble.value)


def test_a_measure_wants_the_limits_it_looks_at():
    own = {**load_rules()["E3"].limits, "title": "t", "counts": "chances", "channels": ["rpm"],
           "measure": "hot restart", "text": "x", "reason": "y"}  # fmt: skip
    del own["sag_rpm"]
    with pytest.raises(SootsayerError, match="sag_rpm"):
        load_rules({"U1": own})


@pytest.mark.parametrize(
    ("key", "value", "hint"),
    [("gate", "cruse", "cruise"), ("quantity", "askd", "asked"), ("gate", "", "choose one")],
)
def test_unknown_gates_and_quantities_are_named(key, value, hint):
    with pytest.raises(SootsayerError) as trouble:
        Rules(load_rules(with_change(key, value)))
    assert f"rules.U1: {key}" in str(trouble.value)
    assert hint in str(trouble.value)


# ---------------------------------------------------------------- a file of rules beside the car's

CAR = """
name = "van"
displacement_l = 2.0
cylinders = 4
fuel = "petrol"
rules_file = "ours.toml"
"""
SHARED = """
[rules.U1]
title = "Intake air is hot in cruise"
counts = "time"
gate = "cruise"
quantity = "iat"
above = 45
lasting_s = 5
window_s = 600
least_s = 60
least_trips = 1
raise_share = 0.2
clear_share = 0.05
channels = ["iat", "vss"]
text = "{measure:.0f} % of {eligible} of cruise."
reason = "our own air box"
[rules.U1.tests]
"hot" = ["..####", "--!!!!"]
[rules.F1]
least_failed = 9
"""


def test_several_cars_may_share_a_file_of_rules(tmp_path):
    (tmp_path / "ours.toml").write_text(SHARED, encoding="utf-8")
    car = tmp_path / "van.toml"
    car.write_text(CAR + "[rules.F1]\nleast_failed = 7\n", encoding="utf-8")
    rules = load_rules(load_vehicle(car).rules)
    assert rules["U1"].limit("above") == 45
    assert rules["F1"].limit("least_failed") == 7  # what the car's own file states stands
    assert [outcome.agrees for outcome in check_config(car).outcomes] == [True]


@pytest.mark.parametrize(
    ("shared", "words"),
    [
        (None, ["rules_file", "ours.toml", "cannot be read"]),
        ("[rules.U1", ["ours.toml", "not valid TOML"]),
        ("[rule.U1]\n", ["ours.toml", "[rules.U1]"]),
        (SHARED.replace("quantity", "quantty"), ["rules.U1", "quantty"]),
    ],
)
def test_mistakes_in_that_file_are_named(tmp_path, shared, words):
    if shared is not None:
        (tmp_path / "ours.toml").write_text(shared, encoding="utf-8")
    car = tmp_path / "van.toml"
    car.write_text(CAR, encoding="utf-8")
    with pytest.raises(SootsayerError) as trouble:
        check_config(car)
    for word in words:
        assert word in str(trouble.value)
