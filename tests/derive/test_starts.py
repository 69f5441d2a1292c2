"""Starts, arrivals and stalls, told frame by frame."""

from __future__ import annotations

import pytest

from engine_story import column, told
from sootsayer.derive.starts import Arrival, Start, Starts


def walked(rpm, speed=None, tp=None, ect=85.0) -> tuple[list[Start], list[Arrival]]:
    seconds = len(rpm) / 2
    channels = {
        "rpm": rpm, "vss": column((seconds, 0)) if speed is None else speed,
        "tp": column((seconds, 14)) if tp is None else tp, "ect": column((seconds, ect)),
    }  # fmt: skip
    starts, arrivals, part = [], [], Starts()
    for q in told(channels):
        more_starts, more_arrivals = part.step(q)
        starts += more_starts
        arrivals += more_arrivals
    return starts, arrivals


def test_a_start_tells_how_long_it_cranked_and_how_long_the_engine_had_rested():
    rpm = column((60, 800), (600, 0), (3.5, 220), (60, 800))
    (start,), _ = walked(rpm)
    assert start.crank_s == 3.5
    assert start.rest_s == pytest.approx(603.5)
    assert start.ect_c == 85.0
    assert start.lowest_rpm == 800
    assert not start.stalled


def test_a_start_that_was_not_seen_from_the_beginning_is_none():
    starts, _ = walked(column((60, 800)))
    assert starts == []


def test_it_sags_and_it_dies():
    sags = column((10, 0), (1, 200), (5, 900), (3, 440), (60, 800))
    (start,), _ = walked(sags)
    assert start.lowest_rpm == 440
    assert not start.stalled
    dies = column((10, 0), (1, 200), (5, 900), (2, 430), (20, 0))
    (start,), arrivals = walked(dies)
    assert start.stalled
    assert [a.stalled for a in arrivals] == [True]


@pytest.mark.parametrize(
    ("rpm", "speed", "tp", "stalled"),
    [
        # it dies while still rolling, foot off
        (column((30, 1500), (2, 900), (20, 0)), column((30, 40), (22, 12)), None, True),
        # key off at rest: through the sagging range within a second
        (column((30, 800), (1, 350), (20, 0)), None, None, False),
        # it labours for two seconds at rest and dies
        (column((30, 800), (2, 420), (20, 0)), None, None, True),
        # the driver let the clutch go too fast: throttle open, car rolling on
        (column((30, 800), (2, 420), (20, 0)), column((30, 0), (22, 5)),
         column((29, 14), (23, 25)), False),
    ],
)  # fmt: skip
def test_what_is_a_stall(rpm, speed, tp, stalled):
    _, arrivals = walked(rpm, speed, tp)
    assert any(a.stalled for a in arrivals) == stalled


def test_each_coming_to_rest_is_a_chance():
    speed = column((20, 50), (20, 0), (20, 50), (20, 0))
    _, arrivals = walked(column((80, 900)), speed)
    assert [a.stalled for a in arrivals] == [False, False]


def test_what_was_not_read_is_not_a_stall():
    nothing = float("nan")
    rpm = column((30, 1500), (20, nothing), (20, 0))
    _, arrivals = walked(rpm, column((30, 50), (40, nothing)))
    assert arrivals == []
