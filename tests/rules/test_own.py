"""Rules of the user's own: they judge like shipped ones, and each mistake is named."""

from __future__ import annotations

import copy
from typing import Any

import numpy as np
import pytest

from plain_engine import Faults, as_series, batches, recording
from sootsayer.model import SootsayerError
from sootsayer.pipeline import Pipeline
from sootsayer.rules.book import load_rules
from sootsayer.rules.engine import Rules
from sootsayer.vehicle import Vehicle

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
