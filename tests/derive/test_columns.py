"""Many blocks made at once are the same as a plain walk through the readings, one by one."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.derive.frames import BLOCK_FRAMES, BLOCK_MS, FRAME_MS, Block, Framer
from sootsayer.model import Batch, Scaling, Series

PLAIN = Scaling("plain", 1.0, 0.0, "")
END_MS = 400_000
# Spacings in ms: fast, slow, one stamp twice, a short and a long silence.
SPACINGS = st.sampled_from([100, 130, 700, 2_500, 0, 45_000, 130_000])
STAMPS = st.lists(SPACINGS, min_size=1, max_size=60).map(
    lambda steps: [t for t in (1 + np.cumsum(steps)).tolist() if t <= END_MS]
)
CAR = st.dictionaries(st.sampled_from(["rpm", "map", "ect"]), STAMPS, min_size=1)


def whole(car: dict[str, list[int]]) -> list[Series]:
    return [
        Series(name, PLAIN, np.array(t_ms, dtype=np.int64), np.arange(len(t_ms), dtype=np.int64))
        for name, t_ms in car.items()
    ]


def walked(t_ms: list[int], end_ms: int) -> list[float]:
    """The columns from the docstrings: mean of a frame, else what holds, channel by channel."""
    values: list[float] = []
    for block_ms in range(0, end_ms, BLOCK_MS):
        before = [t for t in t_ms if t <= block_ms + BLOCK_MS]
        periods = [b - a for a, b in pairwise(before) if 0 < b - a < 60_000]
        periods = sorted(periods[-15:])
        usual_ms = periods[len(periods) // 2] if periods else 0
        hold_ms = min(30_000, max(1_000, 2 * usual_ms))
        for start_ms in range(block_ms, block_ms + BLOCK_MS, FRAME_MS):
            inside = [i for i, t in enumerate(t_ms) if start_ms < t <= start_ms + FRAME_MS]
            past = [i for i, t in enumerate(t_ms) if t <= start_ms + FRAME_MS]
            if inside:
                values.append(sum(inside) / len(inside))
            elif past and start_ms + FRAME_MS - t_ms[past[-1]] <= hold_ms:
                values.append(float(past[-1]))
            else:
                values.append(float("nan"))
    return values


@given(CAR)
def test_each_column_is_what_a_plain_walk_gives(car):
    made = list(Framer().feed(Batch(END_MS, tuple(whole(car)))))
    for name, t_ms in car.items():
        expected = np.array(walked(t_ms, END_MS)).reshape(-1, BLOCK_FRAMES)
        shown = {block.start_ms // BLOCK_MS: block.column(name) for block in made}
        for number, column in enumerate(expected):
            np.testing.assert_array_equal(shown.get(number, np.full(BLOCK_FRAMES, np.nan)), column)


@given(CAR, st.lists(st.integers(0, END_MS), max_size=12))
def test_blocks_made_at_once_are_those_made_one_by_one(car, cuts_ms):
    once = list(Framer().feed(Batch(END_MS, tuple(whole(car)))))
    framer, before, single = Framer(), 0, []
    for upto_ms in [*sorted(cuts_ms), END_MS]:
        parts = [
            Series(s.channel, PLAIN, s.t_ms[chosen], s.raw[chosen])
            for s in whole(car)
            if (chosen := (s.t_ms > before) & (s.t_ms <= upto_ms)).any()
        ]
        single += framer.feed(Batch(upto_ms, tuple(parts)))
        before = upto_ms
    assert [told(block) for block in single] == [told(block) for block in once]


def told(block: Block) -> str:
    columns = {name: column.tolist() for name, column in sorted(block.columns.items())}
    periods_s = sorted(block.periods_s.items())
    return repr(
        (block.start_ms, block.contiguous, columns, block.fresh.tolist(), block.samples, periods_s)
    )


def test_readings_after_a_silence_wait_for_their_block():
    """Silence ends a run of blocks; what comes after it begins a new one, not contiguous."""
    car = {"rpm": [500, 301_000, 301_500], "map": [700, 301_200]}
    made = list(Framer().feed(Batch(END_MS, tuple(whole(car)))))
    again = [block for block in made if block.start_ms >= 300_000]
    assert not again[0].contiguous
    assert (again[0].start_ms, again[0].samples) == (300_000, 3)
