"""Events become arrays; cutting a stream into batches loses and changes nothing."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.model import Batch, Identity, Mark, Reading, Sample, Scaling
from sootsayer.sources.batching import BatchBuilder

ONE, OTHER = Scaling("one", 1.0, 0.0, "kPa"), Scaling("other", 2.0, 0.0, "kPa")


def reading(t_ms: int, raw: int, channel: str = "map", scaling: Scaling = ONE) -> Reading:
    return Reading(t_ms, "7E8", (Sample(channel, raw, scaling),))


def pairs(batches: list[Batch], channel: str) -> list[tuple[int, int, str]]:
    return [
        (int(t_ms), int(raw), series.scaling.name)
        for batch in batches
        for series in batch.series
        if series.channel == channel
        for t_ms, raw in zip(series.t_ms, series.raw, strict=True)
    ]


def test_a_batch_holds_arrays_by_channel() -> None:
    builder = BatchBuilder()
    builder.add(reading(10, 1))
    builder.add(reading(20, 2))
    builder.add(reading(20, 7, "rpm"))
    batch = builder.take(20)
    assert batch.upto_ms == 20 and batch.samples == 3
    first = batch.series[0]
    assert first.t_ms.dtype == np.int64 and first.raw.dtype == np.int64
    assert first.raw.tolist() == [1, 2]
    assert builder.take(30).series == ()


def test_a_change_of_scaling_gives_two_series() -> None:
    builder = BatchBuilder()
    builder.add(reading(10, 1))
    builder.add(reading(20, 2, scaling=OTHER))
    assert [s.scaling.name for s in builder.take(30).series] == ["one", "other"]


def test_what_comes_later_waits() -> None:
    builder = BatchBuilder()
    builder.add(reading(10, 1))
    builder.add(reading(20, 2))
    builder.add(Identity(20, "7E8", "vin", "X"))
    assert builder.take(15).samples == 1
    later = builder.take(20)
    assert later.samples == 1 and len(later.events) == 1


def test_a_late_stamp_is_moved_behind_what_was_taken_and_counted() -> None:
    builder = BatchBuilder()
    builder.take(100)
    builder.add(reading(90, 5))
    assert builder.late == 1
    assert pairs([builder.take(200)], "map") == [(101, 5, "one")]


EVENTS = st.lists(
    st.tuples(st.integers(0, 40), st.integers(0, 9), st.sampled_from([ONE, OTHER])), max_size=60
)


@given(EVENTS, st.lists(st.integers(0, 2000), max_size=8))
def test_any_cutting_keeps_every_reading_in_order(
    steps: list[tuple[int, int, Scaling]], cuts: list[int]
) -> None:
    """Readings arrive in order and are taken with the pace of their stamps."""
    t_ms, events = 0, []
    for step, raw, scaling in steps:
        t_ms += step
        events.append(reading(t_ms, raw, scaling=scaling))
    whole = BatchBuilder()
    for event in events:
        whole.add(event)
    expected = sorted(pairs([whole.take(10_000)], "map"))
    builder, batches, waiting = BatchBuilder(), [], list(events)
    for cut in sorted(cuts):
        while waiting and waiting[0].t_ms <= cut:
            builder.add(waiting.pop(0))
        batches.append(builder.take(cut))
    for event in waiting:
        builder.add(event)
    batches.append(builder.take(10_000))
    assert sorted(pairs(batches, "map")) == expected and builder.late == 0
    for one, two in pairwise(batches):
        for series in two.series:
            assert series.t_ms.min() > one.upto_ms


def test_sources_side_by_side_keep_their_own_stamps() -> None:
    """One that waits for replies tells later of an earlier moment than a sensor does."""
    builder = BatchBuilder()
    builder.add(Reading(1000, "sensor x", (Sample("egr_contact", 1, ONE),)))
    builder.add(reading(960, 5))
    builder.add(Reading(1005, "sensor x", (Sample("egr_contact", 0, ONE),)))
    batch = builder.take(2000)
    assert pairs([batch], "map") == [(960, 5, "one")]
    assert pairs([batch], "egr_contact") == [(1000, 1, "one"), (1005, 0, "one")]
    assert builder.late == 0


def test_one_channel_from_two_units_still_ascends() -> None:
    builder = BatchBuilder()
    builder.add(reading(1000, 1))
    builder.add(Reading(990, "7E9", (Sample("map", 2, ONE),)))
    assert pairs([builder.take(2000)], "map") == [(1000, 1, "one"), (1000, 2, "one")]


def test_a_mark_is_no_part_of_a_batch() -> None:
    builder = BatchBuilder()
    builder.add(Mark(5, "it knocks", "driver"))
    batch = builder.take(10)
    assert batch.events == () and batch.samples == 0
