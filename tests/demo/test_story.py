"""The demo's story: sound at first, then choked when hot, and the control unit does not notice."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from sootsayer.demo.story import DAY_MS, LOOK_FOR, Story
from sootsayer.model import Batch, CodeSeen, CodeStatus, SourceStatus

END_MS = 1_764_000_000_000
DAYS = 3


@pytest.fixture(scope="module")
def told() -> list[Batch]:
    return list(Story(DAYS, 1, END_MS).batches())


def test_it_ends_shortly_before_now_in_order(told: list[Batch]) -> None:
    ends = [batch.upto_ms for batch in told]
    assert (np.diff(ends) > 0).all()
    assert END_MS - 3_600_000 < ends[-1] < END_MS
    assert ends[0] > END_MS - (DAYS + 1) * DAY_MS
    trips = sum(isinstance(event, SourceStatus) for batch in told for event in batch.events) / 2
    assert 2 * DAYS <= trips <= 3 * DAYS
    assert max(batch.samples for batch in told) < 4000


def test_the_same_seed_tells_the_same_story() -> None:
    story, again = Story(DAYS, 1, END_MS), Story(DAYS, 1, END_MS)
    assert [j.spec for j in story.journeys] == [j.spec for j in again.journeys]
    assert story.journeys[0].spec != Story(DAYS, 2, END_MS).journeys[0].spec


def pressure_steps(told: list[Batch]) -> dict[bool, list[float]]:
    """Rise of intake pressure at calm openings, kPa: those before 9 minutes and after 16."""
    found: dict[bool, list[float]] = {False: [], True: []}
    columns = {
        name: np.concatenate([s.values() for b in told for s in b.series if s.channel == name])
        for name in ("egr_pct", "map", "rpm", "tp")
    }
    t_ms = np.concatenate([s.t_ms for b in told for s in b.series if s.channel == "map"])
    starts = np.concatenate(([0], np.flatnonzero(np.diff(t_ms) > 600_000) + 1, [len(t_ms)]))
    asked = columns["egr_pct"]
    for a, b in pairwise(starts):
        for at in range(a + 10, b - 20):
            shut, wide = asked[at - 6 : at].max() == 0.0, asked[at + 8 : at + 14].min() > 15.0
            calm = np.ptp(columns["tp"][at - 6 : at + 14]) < 1.2
            if shut and asked[at] > 0 and wide and calm:
                rise = columns["map"][at + 8 : at + 14].mean() - columns["map"][at - 6 : at].mean()
                minutes = (t_ms[at] - t_ms[a]) / 60_000
                if not 9.0 < minutes < 16.0:
                    found[bool(minutes > 12.0)].append(float(rise))
    return found


def test_the_last_day_passes_gas_cold_and_none_hot(told: list[Batch]) -> None:
    last = pressure_steps([batch for batch in told if batch.upto_ms > END_MS - DAY_MS * 0.9])
    first = pressure_steps([batch for batch in told if batch.upto_ms < END_MS - DAY_MS * 2.0])
    assert min(len(last[False]), len(last[True]), len(first[True])) >= 2
    assert np.median(last[False]) > 4.0
    assert abs(np.median(last[True])) < 2.0
    assert np.median(first[True]) > 4.0


def test_move_holds_throughout(told: list[Batch]) -> None:
    asked, error = (
        np.concatenate([s.values() for b in told for s in b.series if s.channel == name])
        for name in ("egr_pct", "egr_err")
    )
    assert abs(np.median(error[asked > 16.0])) < 3.0


def test_the_control_unit_is_never_sure(told: list[Batch]) -> None:
    """It looks once a trip, mostly before the heat: two bad looks in a row do not come about."""
    seen = [event for batch in told for event in batch.events if isinstance(event, CodeSeen)]
    assert not [code for code in seen if code.status is not CodeStatus.PENDING]


def test_the_text_says_what_to_look_for() -> None:
    assert "Flow" in LOOK_FOR and "Move" in LOOK_FOR and "warm" in LOOK_FOR


def test_no_days_no_story() -> None:
    with pytest.raises(ValueError, match="0 days"):
        Story(0, 1, END_MS)
