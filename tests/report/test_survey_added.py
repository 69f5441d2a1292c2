"""What a person's own streams and sensors give, and which rules rest on each."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sootsayer.model import Link, SourceState, SourceStatus
from sootsayer.report.survey_added import added_found
from sootsayer.rules.book import Rule, load_rules

SHIPPED = load_rules()


def rules(**needs: tuple[str, ...]) -> dict[str, Rule]:
    """Rules of which only the needs matter here."""
    return {
        name: replace(SHIPPED["F1"], name=name, link=Link.FLOW, needs=one)
        for name, one in needs.items()
    }


RULES = rules(V=("egr_vacuum_kpa",), S=("egr_pct", "egr_passage_c"), A=("rpm",))


def test_a_sensor_arms_what_would_not_be_armed_without_it() -> None:
    configured = {"sensor vacuum": ("egr_vacuum_kpa",), "sensor bay": ("engine_bay_c",)}
    vacuum, bay = added_found(configured, {"rpm", "egr_vacuum_kpa", "engine_bay_c"}, [], RULES)
    assert (vacuum.given, vacuum.arms, vacuum.would_arm) == (("egr_vacuum_kpa",), ("V",), ())
    assert (bay.given, bay.arms) == (("engine_bay_c",), ())


@pytest.mark.parametrize(("able", "would"), [({"rpm"}, ()), ({"rpm", "egr_pct"}, ("S",))])
def test_a_silent_one_says_why_and_what_it_would_arm(able: set[str], would: tuple[str]) -> None:
    statuses = [
        SourceStatus(0, "sensor passage", SourceState.CONNECTING, "opening"),
        SourceStatus(1, "sensor passage", SourceState.UNPLUGGED, "no device is named 'x'"),
    ]
    configured = {"sensor passage": ("egr_passage_c",)}
    (passage,) = added_found(configured, able, statuses, RULES)
    assert (passage.given, passage.arms, passage.would_arm) == ((), (), would)
    assert passage.trouble == "no device is named 'x'"


def test_a_stream_is_told_as_a_whole() -> None:
    configured = {"stream": ("rpm", "egr_vacuum_kpa", "tp")}
    (stream,) = added_found(configured, {"rpm", "egr_vacuum_kpa"}, [], RULES)
    assert stream.given == ("rpm", "egr_vacuum_kpa")
    assert stream.arms == ("A", "V") and stream.would_arm == ()
