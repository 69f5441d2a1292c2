"""Channels polled in turn at one hertz, up to a second apart: the verdicts hold, because only
settled stretches are paired and openings are judged by their means."""

from __future__ import annotations

import numpy as np
import pytest

from plain_engine import Faults, batches, recording
from sootsayer.model import LinkState, Series
from sootsayer.pipeline import Pipeline
from sootsayer.vehicle import Vehicle

SMALL = Vehicle("small test engine", 0.95, 4, "petrol")
EVERY = 5  # of the engine's 0.2 s readings: one a second


def in_turn(series: list[Series]) -> list[Series]:
    """One reading a second of each channel, each at its own fifth of the second, stamped there."""
    polled = []
    for turn, one in enumerate(series):
        take = slice(turn % EVERY, None, EVERY)
        polled.append(Series(one.channel, one.scaling, one.t_ms[take], one.raw[take]))
    return polled


def judged(faults: Faults) -> Pipeline:
    pipeline = Pipeline(SMALL)
    for batch in batches(in_turn(recording(faults, trips=3)), []):
        pipeline.feed(batch)
    return pipeline


def test_the_channels_are_a_second_apart_at_worst():
    firsts = [int(one.t_ms[0]) for one in in_turn(recording(Faults(), trips=1, laps=1))]
    assert max(firsts) - min(firsts) == 800
    assert {int(np.diff(one.t_ms[:20]).max()) for one in in_turn(recording(Faults()))} == {1000}


@pytest.mark.parametrize(
    ("faults", "move", "flow", "rules"),
    [
        (Faults(), {LinkState.HOLDING}, {LinkState.HOLDING}, set()),
        (Faults(passage=0.0), {LinkState.HOLDING}, {LinkState.BROKEN, LinkState.DOUBTFUL}, {"F1"}),
        (Faults(lift=0.0), {LinkState.BROKEN, LinkState.DOUBTFUL}, set(LinkState), {"M1"}),
        (Faults(leak_g_s=1.0), {LinkState.HOLDING}, {LinkState.BROKEN, LinkState.DOUBTFUL}, {"F2"}),
    ],
)
def test_verdicts_hold_at_one_hertz(faults, move, flow, rules):
    found = judged(faults).verdict()
    states = {link.link.value: link.state for link in found.links}
    assert states["move"] in move
    assert states["flow"] in flow
    open_rules = {alert.rule for alert in found.alerts if alert.link is not None}
    assert rules <= open_rules
    if not rules:
        assert open_rules == set()


def test_the_gain_is_the_same_at_one_hertz():
    """True value of the engine: 5.0 g/s fully open."""
    assert judged(Faults()).balance.gain_g_s() == pytest.approx(5.0, rel=0.12)
