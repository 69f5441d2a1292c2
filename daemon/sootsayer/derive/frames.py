"""Readings at their own pace → frames of half a second, in blocks of ten seconds.

Blocks lie on a fixed grid of log time and are worked on only when they are complete. So what
is found never depends on how the readings were cut into batches on their way here.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from sootsayer.derive.keep import Kept
from sootsayer.model import Batch, FloatArray, IntArray, Series

FRAME_MS = 500
FRAME_S = FRAME_MS / 1000
BLOCK_FRAMES = 20
BLOCK_MS = FRAME_MS * BLOCK_FRAMES
# After the last reading so many empty blocks follow: enough for every hold time to run out and
# for trips to end, so that silence is judged as silence and weeks of parking cost nothing.
EMPTY_BLOCKS = 7
# A value is held for at most twice its channel's own usual period, within these bounds: one
# frame must not make a fast channel stale, and no channel may be taken as known for a minute.
HOLD_PERIODS = 2.0
HOLD_LEAST_MS = 1000.0
HOLD_MOST_MS = 30_000.0
PERIODS_REMEMBERED = 15

_ENDS = np.arange(1, BLOCK_FRAMES + 1, dtype=np.int64) * FRAME_MS
_BLANK = np.full(BLOCK_FRAMES, np.nan)


@dataclass(frozen=True, slots=True)
class Block:
    """Ten seconds. ``columns``: per channel 20 values, NaN where not known. Values are means
    over the frame; "rpm last" is the newest reading of engine speed instead.

    ``contiguous``: the block before this one was worked on too, so memory of it still holds.
    ``fresh``: per frame, whether any channel had a reading in it.
    """

    start_ms: int
    contiguous: bool
    columns: dict[str, FloatArray]
    fresh: FloatArray
    samples: int = 0
    periods_s: dict[str, float] = field(default_factory=dict)

    @property
    def end_ms(self) -> int:
        return self.start_ms + BLOCK_MS

    @property
    def ends_ms(self) -> IntArray:
        """The end of each frame, by which it is named."""
        return self.start_ms + _ENDS

    def column(self, channel: str) -> FloatArray:
        """Values of a channel, all NaN where the car does not give it."""
        return self.columns.get(channel, _BLANK)


class _Carry(Kept):
    """What one channel brings along from block to block."""

    kept = ("last_ms", "last_value", "intervals_ms")

    def __init__(self) -> None:
        self.last_ms: int = -(1 << 60)
        self.last_value: float = float("nan")
        self.intervals_ms: deque[float] = deque(maxlen=PERIODS_REMEMBERED)

    def hold_ms(self) -> float:
        if not self.intervals_ms:
            return HOLD_LEAST_MS
        usual_ms = sorted(self.intervals_ms)[len(self.intervals_ms) // 2]
        return min(HOLD_MOST_MS, max(HOLD_LEAST_MS, HOLD_PERIODS * usual_ms))


class Framer(Kept):
    """Takes batches of any size, yields complete blocks. Late readings are counted, not used."""

    kept = ("next_ms", "empty_left", "carries", "late")

    def __init__(self) -> None:
        self.next_ms: int | None = None  # start of the next block to work on
        self.empty_left = 0
        self.late = 0
        self.carries: dict[str, _Carry] = {}
        self._waiting: dict[str, list[tuple[IntArray, FloatArray]]] = {}
        self._newest_ms = -(1 << 60)

    def recall(self, state: dict[str, object]) -> None:
        carries = state["carries"]
        assert isinstance(carries, dict)
        self.carries = {channel: _Carry() for channel in carries}
        super().recall(state)

    def feed(self, batch: Batch) -> Iterator[Block]:
        """Blocks that this batch completes, oldest first."""
        for series in batch.series:
            self._keep(series)
        while (block := self._next(batch.upto_ms)) is not None:
            yield block

    def _keep(self, series: Series) -> None:
        t_ms, values = series.t_ms, series.values()
        if self.next_ms is not None and len(t_ms) and t_ms[0] <= self.next_ms:
            in_time = t_ms > self.next_ms
            self.late += int(len(t_ms) - np.count_nonzero(in_time))
            t_ms, values = t_ms[in_time], values[in_time]
        if len(t_ms):
            self._waiting.setdefault(series.channel, []).append((t_ms, values))
            self._newest_ms = max(self._newest_ms, int(t_ms[-1]))

    def _next(self, upto_ms: int) -> Block | None:
        start_ms, contiguous = self._next_start()
        if start_ms is None or start_ms + BLOCK_MS > upto_ms:
            return None
        block = self._build(start_ms, contiguous)
        self.next_ms = start_ms + BLOCK_MS
        self.empty_left = EMPTY_BLOCKS if block.samples else self.empty_left - 1
        return block

    def _next_start(self) -> tuple[int | None, bool]:
        """Where the next block starts, and whether it follows the last one without a jump."""
        if self.next_ms is not None and self.empty_left > 0:
            return self.next_ms, True
        if not self._waiting:
            return None, False
        first_ms = min(int(parts[0][0][0]) for parts in self._waiting.values())
        start_ms = (first_ms - 1) // BLOCK_MS * BLOCK_MS  # start < t <= end
        return start_ms, start_ms == self.next_ms

    def _build(self, start_ms: int, contiguous: bool) -> Block:
        columns: dict[str, FloatArray] = {}
        fresh = np.zeros(BLOCK_FRAMES)
        samples = 0
        for channel in sorted({*self.carries, *self._waiting}):
            t_ms, values = self._take(channel, start_ms + BLOCK_MS)
            carry = self.carries.setdefault(channel, _Carry())
            samples += len(t_ms)
            column = _column(start_ms, t_ms, values, carry, fresh)
            if column is not None:
                columns[channel] = column
                if channel == "rpm":
                    columns["rpm last"] = _last(start_ms, t_ms, values, column)
        periods_s = {
            c: self.carries[c].hold_ms() / HOLD_PERIODS / 1000 for c in columns if c in self.carries
        }
        return Block(start_ms, contiguous, columns, fresh, samples, periods_s)

    def _take(self, channel: str, end_ms: int) -> tuple[IntArray, FloatArray]:
        """Readings of a channel up to the block's end; later ones go on waiting."""
        parts = self._waiting.pop(channel, None)
        if parts is None:
            return _NO_TIMES, _NO_VALUES
        t_ms, values = parts[0] if len(parts) == 1 else _joined(parts)
        cut = int(np.searchsorted(t_ms, end_ms, "right"))
        if cut < len(t_ms):
            self._waiting[channel] = [(t_ms[cut:], values[cut:])]
        return t_ms[:cut], values[:cut]


_NO_TIMES: IntArray = np.empty(0, dtype=np.int64)
_NO_VALUES: FloatArray = np.empty(0)


def _joined(parts: list[tuple[IntArray, FloatArray]]) -> tuple[IntArray, FloatArray]:
    t_ms = np.concatenate([part[0] for part in parts])
    values = np.concatenate([part[1] for part in parts])
    if np.any(t_ms[1:] < t_ms[:-1]):
        order = np.argsort(t_ms, kind="stable")
        t_ms, values = t_ms[order], values[order]
    return t_ms, values


def _column(
    start_ms: int, t_ms: IntArray, values: FloatArray, carry: _Carry, fresh: FloatArray
) -> FloatArray | None:
    """One channel's 20 values: the mean inside a frame, else the last reading while it holds."""
    n = len(t_ms)
    if n:
        _remember_intervals(t_ms, carry)
    hold_ms = carry.hold_ms()
    if not n:
        ages_ms = start_ms + _ENDS - carry.last_ms
        if ages_ms[0] > hold_ms:
            return None
        return np.where(ages_ms <= hold_ms, carry.last_value, np.nan)
    index = (t_ms - start_ms - 1) // FRAME_MS
    counts = np.bincount(index, minlength=BLOCK_FRAMES)
    sums = np.bincount(index, weights=values, minlength=BLOCK_FRAMES)
    column = np.full(BLOCK_FRAMES, np.nan)
    read = counts > 0
    column[read] = sums[read] / counts[read]
    fresh[read] = 1.0
    if not read.all():
        position = np.searchsorted(t_ms, start_ms + _ENDS, "right") - 1
        last_ms = np.where(position >= 0, t_ms[position], carry.last_ms)
        last = np.where(position >= 0, values[position], carry.last_value)
        held = ~read & (start_ms + _ENDS - last_ms <= hold_ms)
        column[held] = last[held]
    carry.last_ms, carry.last_value = int(t_ms[-1]), float(values[-1])
    return column


def _last(start_ms: int, t_ms: IntArray, values: FloatArray, column: FloatArray) -> FloatArray:
    """The last reading of each frame where there is one, else what the column holds."""
    last = column.copy()
    if len(t_ms):
        last[(t_ms - start_ms - 1) // FRAME_MS] = values  # of equal frames the latest stands
    return last


def _remember_intervals(t_ms: IntArray, carry: _Carry) -> None:
    recent = t_ms[-PERIODS_REMEMBERED - 1 :]
    first = [carry.last_ms, *recent.tolist()] if len(recent) == len(t_ms) else recent.tolist()
    for before, after in pairwise(first):
        # A pause of a minute or more is a gap in the recording, not the channel's period.
        if 0 < after - before < 60_000:
            carry.intervals_ms.append(float(after - before))
