"""Compression ignition: gas as a share of the charge, on an engine that shares no formula."""

from __future__ import annotations

import pytest

from diesel_engine import recording
from plain_engine import batches
from sootsayer.model import LinkState, Series, Verdict
from sootsayer.pipeline import Pipeline
from sootsayer.vehicle import Vehicle

VAN = Vehicle("small van", 1.968, 4, "diesel")
FLOW = 3


def judged(series: list[Series]) -> tuple[Pipeline, Verdict]:
    pipeline = Pipeline(VAN)
    for batch in batches(series, []):
        pipeline.feed(batch)
    return pipeline, pipeline.verdict()


def test_a_sound_loop_holds():
    _, found = judged(recording())
    assert found.links[FLOW].state is LinkState.HOLDING
    assert [alert.rule for alert in found.alerts] == []
    assert float(found.learned["fully_open_share_pct"]) > 25


def test_a_shut_loop_is_found():
    _, found = judged(recording(passage=0.0))
    assert found.links[FLOW].state in (LinkState.DOUBTFUL, LinkState.BROKEN)
    assert "F1" in {alert.rule for alert in found.alerts}


def test_half_a_loop_shows_as_about_half_the_gain():
    whole, half = (judged(recording(passage=p))[0].balance for p in (1.0, 0.5))
    full_gain, half_gain = whole.gain_g_s(), half.gain_g_s()
    assert full_gain is not None
    assert half_gain is not None
    assert half_gain / full_gain == pytest.approx(0.5, abs=0.12)


def test_what_is_not_choked_has_neither_leak_nor_area():
    _, found = judged(recording())
    assert "leak_g_s" not in found.learned
    assert "effective_area_mm2" not in found.learned


def test_a_loop_that_never_shuts_is_not_seen():
    _, found = judged(recording(always_open=True))
    assert found.links[FLOW].state is LinkState.UNSEEN
    assert "never" in found.links[FLOW].fact
