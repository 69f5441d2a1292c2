"""A small part of the campaign of ``tests/bench/campaign.py``: severe faults found and placed,
sound cars left alone. The whole of it, with what it measured, is in the README."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from campaign import blamed, link_right, side_by_side
from campaign_cases import EXPECTED, OF_RECIRCULATION, Case, cases
from campaign_judge import Outcome, judge_group

SOUND_CARS = 5


def chosen() -> Iterator[Case]:
    """One severe car of every kind, the sensor sets in turn; then sound ones on commutes."""
    everyone = cases()
    for turn, kind in enumerate(OF_RECIRCULATION):
        makes = EXPECTED[kind].makes
        yield next(
            case
            for case in everyone
            if (case.kind, case.severity, case.schedule) == (kind, "severe", "permanent")
            and case.make == makes[turn % len(makes)]
        )
    sound = [c for c in everyone if c.kind is None and c.driving != "cycles" and not c.dropped]
    yield from sound[:SOUND_CARS]


@pytest.fixture(scope="module")
def outcomes() -> list[Outcome]:
    return [outcome for group in side_by_side(list(chosen())) for outcome in judge_group(group)]


def test_severe_faults_are_found_where_they_are(outcomes: list[Outcome]) -> None:
    faulty = [o for o in outcomes if o.case.kind is not None]
    assert len(faulty) == len(OF_RECIRCULATION)
    missed = [o.case.kind for o in faulty if o.found_after is None]
    misplaced = [(o.case.kind, o.link) for o in faulty if not link_right(o)]
    # Of fifteen kinds one may be missed and one misplaced: the campaign tells the true shares.
    assert len(missed) <= 1, missed
    assert len(misplaced) <= 1, misplaced


def test_the_right_cause_stands_among_the_first_three(outcomes: list[Outcome]) -> None:
    faulty = [o for o in outcomes if o.case.kind is not None and o.found_after is not None]
    wrong = []
    for o in faulty:
        assert o.case.kind is not None
        if not set(o.causes) & set(EXPECTED[o.case.kind].causes_on(o.case.make)):
            wrong.append((o.case.kind, o.causes))
    assert len(wrong) <= 2, wrong


def test_sound_cars_are_left_alone(outcomes: list[Outcome]) -> None:
    sound = [o for o in outcomes if o.case.kind is None]
    assert len(sound) == SOUND_CARS
    assert [(o.case.seed, o.link, o.accused) for o in sound if blamed(o)] == []
