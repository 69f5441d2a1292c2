from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from sootsayer.model import Episode
from sootsayer_web.alerts import worst_of
from sootsayer_web.evidence import around, choose, make_stepper, value_rows
from sootsayer_web.limits import Limits
from sootsayer_web.strip import BOTTOM, TOP, make_strip


def chance(failed: bool, measure: float | None = 1.0, start_ms: int = 0) -> Episode:
    return Episode("F1", start_ms, start_ms + 10_000, failed, measure, "")


def test_without_a_choice_the_newest_failure_is_shown() -> None:
    story = [chance(True), chance(True), chance(False)]
    assert choose(story, None) == 1
    assert choose(story, 3) == 2
    assert choose(story, 0) == choose(story, 4) == 1
    assert choose([chance(False), chance(False)], None) == 1


def test_worst_is_the_failure_farthest_from_the_limit() -> None:
    story = [chance(True, 0.6), chance(False, 0.0), chance(True, 0.9), chance(True, None)]
    assert worst_of(story, 0.5) == 2
    assert worst_of([chance(False)], 0.5) is None
    assert worst_of([chance(True, None)], 0.5) == 0


def test_steps_end_at_the_ends() -> None:
    story = [chance(True), chance(False), chance(True)]
    steps = [make_stepper(story, i, 0.5) for i in range(3)]
    assert [(s.previous, s.next) for s in steps] == [(None, 2), (1, 3), (2, None)]
    assert {s.worst for s in steps} == {1}


def test_room_on_both_sides_and_never_too_short() -> None:
    limits = Limits.shipped()
    start_ms, end_ms = around(chance(True, start_ms=100_000), limits)
    assert start_ms <= 100_000 - 25_000 and end_ms >= 110_000 + 25_000
    instant = Episode("C1", 5_000, 5_000, True, None, "")
    start_ms, end_ms = around(instant, limits)
    assert end_ms - start_ms >= limits.least_s * 1000


def test_rows_hold_none_where_a_channel_has_no_column() -> None:
    rows = value_rows([{"t_ms": [1, 3], "mean": [10.0, 30.0]}, {"t_ms": [3], "mean": [7.0]}])
    assert rows == [{"t_ms": 1, "means": [10.0, None]}, {"t_ms": 3, "means": [30.0, 7.0]}]


measures = st.lists(st.tuples(st.booleans(), st.none() | st.floats(-1e6, 1e6)), max_size=30)


@given(measures, st.none() | st.floats(-1e6, 1e6), st.integers(1, 40))
def test_marks_keep_to_their_room_and_their_order(
    story: list[tuple[bool, float | None]], limit: float | None, most: int
) -> None:
    episodes = [chance(failed, measure) for failed, measure in story]
    strip = make_strip(episodes, limit, most)
    newest = episodes[-most:]
    measured = [e for e in newest if e.measure is not None]
    if not measured:
        assert strip is None
        return
    assert strip is not None
    assert [dot.failed for dot in strip.dots] == [e.failed for e in measured]
    assert strip.unmeasured == len(newest) - len(measured)
    heights = [dot.y for dot in strip.dots] + ([] if limit is None else [strip.limit_y or 0.0])
    assert all(TOP - 1e-6 <= y <= BOTTOM + 1e-6 for y in heights)
    assert all(0 < dot.x < 100 for dot in strip.dots)
    for dot, episode in zip(strip.dots, measured, strict=True):
        if limit is not None and episode.measure is not None and strip.limit_y is not None:
            assert (episode.measure > limit) == (dot.y < strip.limit_y) or abs(
                dot.y - strip.limit_y
            ) < 1e-3
