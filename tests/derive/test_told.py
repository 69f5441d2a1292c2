"""What is told seldom reaches the rules whole; what is repeated unchanged does not flood them."""

from __future__ import annotations

import numpy as np

from sootsayer.derive.told import STATUS, Telling
from sootsayer.model import Batch, Scaling, Series

PLAIN = Scaling("plain", 1.0, 0.0, "")
RESULT = ("mid31_tid81", "mid31_tid81_min", "mid31_tid81_max")


def series(channel: str, t_ms: list[int], raw: list[int]) -> Series:
    return Series(channel, PLAIN, np.array(t_ms, dtype=np.int64), np.array(raw, dtype=np.int64))


def heard(telling: Telling, upto_ms: int) -> list[tuple[int, str, int]]:
    return [(told.t_ms, told.channel, told.raw) for told in telling.take(upto_ms)]


def test_a_status_told_ten_times_a_second_is_heard_when_it_changes():
    telling = Telling()
    stamps = list(range(100, 10_001, 100))
    raws = [7 if t_ms < 5_000 else 8 for t_ms in stamps]
    telling.feed(Batch(10_000, (series(STATUS, stamps, raws),)), None)
    assert heard(telling, 10_000) == [(100, STATUS, 7), (5_000, STATUS, 8), (10_000, STATUS, 8)]


def test_a_result_that_changes_comes_with_its_unchanged_limits():
    telling = Telling()
    stamps = [1_000, 2_000, 3_000, 4_000]
    values = zip(RESULT, ([50, 50, 60, 60], [0] * 4, [90] * 4), strict=True)
    telling.feed(Batch(9_000, tuple(series(name, stamps, raw) for name, raw in values)), None)
    assert [t_ms for t_ms, *_ in heard(telling, 9_000)] == [1_000] * 3 + [3_000] * 3 + [4_000] * 3


def test_what_lies_after_the_block_waits_for_the_next():
    telling = Telling()
    telling.feed(Batch(12_000, (series(STATUS, [500, 11_000], [1, 1]),)), None)
    assert heard(telling, 10_000) == [(500, STATUS, 1)]
    assert heard(telling, 20_000) == [(11_000, STATUS, 1)]
    assert heard(telling, 30_000) == []


def test_what_was_judged_before_a_restart_is_not_told_again():
    telling = Telling()
    telling.feed(Batch(30_000, (series(STATUS, [500, 21_000], [1, 2]),)), done_ms=20_000)
    assert heard(telling, 30_000) == [(21_000, STATUS, 2)]
