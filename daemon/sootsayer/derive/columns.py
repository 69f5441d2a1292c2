"""Many blocks of frames at once: readings of all channels → one table of columns.

A frame's value is the mean of what fell into it, else the newest reading while it holds.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sootsayer.derive.keep import Kept
from sootsayer.model import BoolArray, FloatArray, IntArray

FRAME_MS = 500
BLOCK_FRAMES = 20
BLOCK_MS = FRAME_MS * BLOCK_FRAMES
# A value is held for at most twice its channel's own usual period, within these bounds: one
# frame must not make a fast channel stale, and no channel may be taken as known for a minute.
HOLD_PERIODS = 2.0
HOLD_LEAST_MS = 1000.0
HOLD_MOST_MS = 30_000.0
PERIODS_REMEMBERED = 15
GAP_MS = 60_000  # a pause of a minute or more is a gap in the recording, not a channel's period

_NEWEST = np.arange(-PERIODS_REMEMBERED, 0)


class Carry(Kept):
    """What one channel brings along from block to block."""

    kept = ("last_ms", "last_value", "intervals_ms")

    def __init__(self) -> None:
        self.last_ms: int = -(1 << 60)
        self.last_value: float = float("nan")
        self.intervals_ms: deque[float] = deque(maxlen=PERIODS_REMEMBERED)


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings of several channels, ``owner`` by ``owner`` (its place among the channels), each
    in order of time."""

    t_ms: IntArray
    values: FloatArray
    owner: IntArray

    @classmethod
    def of(
        cls, times: Sequence[IntArray], values: Sequence[FloatArray], owners: Sequence[int]
    ) -> Readings:
        """From parts, those of one owner together; only where parts overlap must be sorted."""
        if not times:
            return cls(_NO_TIMES, _NO_VALUES, _NO_TIMES)
        owner = np.repeat(np.array(owners, dtype=np.int64), [len(part) for part in times])
        whole = cls(np.concatenate(times), np.concatenate(values), owner)
        back = (whole.t_ms[1:] < whole.t_ms[:-1]) & (owner[1:] == owner[:-1])
        return whole.where(np.lexsort((whole.t_ms, owner))) if back.any() else whole

    def where(self, chosen: BoolArray | IntArray) -> Readings:
        return Readings(self.t_ms[chosen], self.values[chosen], self.owner[chosen])


_NO_TIMES: IntArray = np.empty(0, dtype=np.int64)
_NO_VALUES: FloatArray = np.empty(0)


@dataclass(frozen=True, slots=True)
class Framed:
    """Some blocks in a row. Per channel and frame: ``columns`` (NaN where not known), ``read``
    (whether anything fell into it), ``last`` (newest reading by its end). Per channel and block:
    ``known`` (whether there is anything to show), ``holds_ms``. ``fresh`` per frame, whether any
    channel was read; ``samples`` per block."""

    start_ms: int
    columns: FloatArray
    read: BoolArray
    last: FloatArray
    known: BoolArray
    holds_ms: FloatArray
    fresh: FloatArray
    samples: IntArray

    def newest(self, channel: int) -> FloatArray:
        """The last reading of each frame where there is one, else what the column holds."""
        newest: FloatArray = np.where(self.read[channel], self.last[channel], self.columns[channel])
        return newest


def framed(start_ms: int, blocks: int, readings: Readings, carries: Sequence[Carry]) -> Framed:
    """All blocks of all channels. The carries go along to the end of the last block."""
    channels, frames = len(carries), blocks * BLOCK_FRAMES
    shape, by_block = (channels, frames), (channels, blocks, BLOCK_FRAMES)
    place = readings.owner * frames + (readings.t_ms - start_ms - 1) // FRAME_MS
    counts = np.bincount(place, minlength=channels * frames).reshape(shape)
    sums = np.bincount(place, readings.values, channels * frames).reshape(shape)
    chain = _Chain.of(readings, carries)
    newest = counts.cumsum(axis=1)
    newest += chain.first[:, None]
    holds_ms = chain.holds_ms(newest[:, BLOCK_FRAMES - 1 :: BLOCK_FRAMES])
    last = chain.values[newest]
    ends_ms = start_ms + np.arange(1, frames + 1, dtype=np.int64) * FRAME_MS
    holds = (ends_ms - chain.t_ms[newest]).reshape(by_block) <= holds_ms[:, :, None]
    read = counts > 0
    columns = np.where(holds.reshape(shape), last, np.nan)
    np.divide(sums, counts, out=columns, where=read)
    known = holds[:, :, 0] | read.reshape(by_block).any(axis=2)
    chain.leave(newest[:, -1], carries)
    fresh: FloatArray = np.any(read, axis=0).astype(np.float64)
    samples: IntArray = counts.reshape(by_block).sum(axis=(0, 2))
    return Framed(start_ms, columns, read, last, known, holds_ms, fresh, samples)


@dataclass(frozen=True, slots=True)
class _Chain:
    """Each channel's readings after the one that it brought along: ``first`` is where that
    lies. ``reached[i]``: end of the intervals known at place i within ``intervals_ms``, of which
    each channel has the fifteen it brought first, infinite where it brought fewer."""

    t_ms: IntArray
    values: FloatArray
    first: IntArray
    intervals_ms: FloatArray
    reached: IntArray

    @classmethod
    def of(cls, readings: Readings, carries: Sequence[Carry]) -> _Chain:
        channels = len(carries)
        totals = np.bincount(readings.owner, minlength=channels)
        first = np.cumsum(totals) - totals + np.arange(channels)
        t_ms = np.insert(readings.t_ms, np.cumsum(totals) - totals, [c.last_ms for c in carries])
        values = np.insert(
            readings.values, np.cumsum(totals) - totals, [c.last_value for c in carries]
        )
        between = np.diff(t_ms, prepend=0)
        counts = (between > 0) & (between < GAP_MS)
        counts[first] = False
        brought = np.full((channels, PERIODS_REMEMBERED), np.inf)
        for row, carry in zip(brought, carries, strict=True):
            if carry.intervals_ms:
                row[-len(carry.intervals_ms) :] = carry.intervals_ms
        at = np.cumsum(counts)
        owner = np.repeat(np.arange(channels), totals + 1)
        intervals_ms = np.insert(
            between[counts].astype(np.float64),
            np.repeat(at[first], PERIODS_REMEMBERED),
            brought.ravel(),
        )
        return cls(t_ms, values, first, intervals_ms, at + (owner + 1) * PERIODS_REMEMBERED)

    def holds_ms(self, places: IntArray) -> FloatArray:
        """How long a value may be held, as known at each of these places."""
        windows = self.intervals_ms[self.reached[places][..., None] + _NEWEST]
        windows.sort(axis=-1)
        known = np.isfinite(windows).sum(axis=-1)
        usual_ms = np.take_along_axis(windows, known[..., None] // 2, axis=-1)[..., 0]
        holds = np.minimum(HOLD_MOST_MS, np.maximum(HOLD_LEAST_MS, HOLD_PERIODS * usual_ms))
        return np.where(known > 0, holds, HOLD_LEAST_MS)

    def leave(self, places: IntArray, carries: Sequence[Carry]) -> None:
        """Give every channel to carry on what is known at these places."""
        windows = self.intervals_ms[self.reached[places][:, None] + _NEWEST].tolist()
        t_ms, values = self.t_ms[places].tolist(), self.values[places].tolist()
        for number, carry in enumerate(carries):
            carry.last_ms, carry.last_value = t_ms[number], values[number]
            carry.intervals_ms.clear()
            carry.intervals_ms.extend(ms for ms in windows[number] if ms < np.inf)
