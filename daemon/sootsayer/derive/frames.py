"""Readings at their own pace → frames of half a second, in blocks of ten seconds.

Blocks lie on a fixed grid of log time and are worked on only when they are complete. So what
is found never depends on how the readings were cut into batches on their way here. As many as
a batch completes are made at once, all channels together (``columns``).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from sootsayer.derive.columns import (
    BLOCK_FRAMES,
    BLOCK_MS,
    FRAME_MS,
    HOLD_PERIODS,
    Carry,
    Framed,
    Readings,
    framed,
)
from sootsayer.derive.keep import Kept
from sootsayer.model import Batch, FloatArray, IntArray, Series

__all__ = ["BLOCK_FRAMES", "BLOCK_MS", "FRAME_MS", "FRAME_S", "Block", "Framer"]

FRAME_S = FRAME_MS / 1000
# After the last reading so many empty blocks follow: enough for every hold time to run out and
# for trips to end, so that silence is judged as silence and weeks of parking cost nothing.
EMPTY_BLOCKS = 7
BLOCKS_AT_ONCE = 60  # ten minutes: more would only take memory

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


class Framer(Kept):
    """Takes batches of any size, yields complete blocks. Late readings are counted, not used."""

    kept = ("next_ms", "empty_left", "carries", "late")

    def __init__(self) -> None:
        self.next_ms: int | None = None  # start of the next block to work on
        self.empty_left = 0
        self.late = 0
        self.carries: dict[str, Carry] = {}
        self._waiting: dict[str, list[tuple[IntArray, FloatArray]]] = {}

    def recall(self, state: dict[str, object]) -> None:
        carries = state["carries"]
        assert isinstance(carries, dict)
        self.carries = {channel: Carry() for channel in carries}
        super().recall(state)

    def feed(self, batch: Batch) -> Iterator[Block]:
        """Blocks that this batch completes, oldest first."""
        for series in batch.series:
            self._keep(series)
        while True:
            start_ms, contiguous = self._next_start()
            if start_ms is None or start_ms + BLOCK_MS > batch.upto_ms:
                return
            most = min((batch.upto_ms - start_ms) // BLOCK_MS, BLOCKS_AT_ONCE)
            yield from self._run(start_ms, most, contiguous)

    def _keep(self, series: Series) -> None:
        t_ms, values = series.t_ms, series.values()
        if self.next_ms is not None and len(t_ms) and t_ms[0] <= self.next_ms:
            in_time = t_ms > self.next_ms
            self.late += int(len(t_ms) - np.count_nonzero(in_time))
            t_ms, values = t_ms[in_time], values[in_time]
        if len(t_ms):
            self._waiting.setdefault(series.channel, []).append((t_ms, values))

    def _next_start(self) -> tuple[int | None, bool]:
        """Where the next block starts, and whether it follows the last one without a jump."""
        if self.next_ms is not None and self.empty_left > 0:
            return self.next_ms, True
        if not self._waiting:
            return None, False
        first_ms = min(int(part[0][0]) for parts in self._waiting.values() for part in parts)
        start_ms = (first_ms - 1) // BLOCK_MS * BLOCK_MS  # start < t <= end
        return start_ms, start_ms == self.next_ms

    def _run(self, start_ms: int, most: int, contiguous: bool) -> list[Block]:
        """The next blocks, ``most`` or as many as there are before silence ends them."""
        channels = sorted({*self.carries, *self._waiting})
        readings = self._take(channels, start_ms + most * BLOCK_MS)
        blocks = self._lasting((readings.t_ms - start_ms - 1) // BLOCK_MS, most)
        self.next_ms = start_ms + blocks * BLOCK_MS
        if blocks < most:
            readings = self._put_back(channels, readings, self.next_ms)
        carries = [self.carries.setdefault(channel, Carry()) for channel in channels]
        return _blocks(channels, framed(start_ms, blocks, readings, carries), contiguous)

    def _take(self, channels: list[str], end_ms: int) -> Readings:
        """What waits up to there, channel by channel."""
        times: list[IntArray] = []
        values: list[FloatArray] = []
        owners: list[int] = []
        for owner, channel in enumerate(channels):
            later = []
            for part in self._waiting.pop(channel, ()):
                t_ms, value = part
                if t_ms[-1] > end_ms:
                    cut = int(np.searchsorted(t_ms, end_ms, "right"))
                    later.append((t_ms[cut:], value[cut:]))
                    t_ms, value = t_ms[:cut], value[:cut]
                times.append(t_ms)
                values.append(value)
                owners.append(owner)
            if later:
                self._waiting[channel] = later
        return Readings.of(times, values, owners)

    def _put_back(self, channels: list[str], readings: Readings, end_ms: int) -> Readings:
        """Let what lies after ``end_ms`` wait again; the rest is given back."""
        for owner in np.unique(readings.owner[readings.t_ms > end_ms]).tolist():
            late = (readings.owner == owner) & (readings.t_ms > end_ms)
            parts = self._waiting.setdefault(channels[owner], [])
            parts.insert(0, (readings.t_ms[late], readings.values[late]))
        return readings.where(readings.t_ms <= end_ms)

    def _lasting(self, sampled: IntArray, most: int) -> int:
        """How many blocks go before the allowance of empty ones is used up. ``sampled``: for
        each reading, in which of them it lies."""
        seen = np.bincount(sampled, minlength=most)
        for number, samples in enumerate(seen.tolist()):
            self.empty_left = EMPTY_BLOCKS if samples else self.empty_left - 1
            if self.empty_left <= 0:
                return number + 1
        return most


def _blocks(channels: list[str], made: Framed, contiguous: bool) -> list[Block]:
    """Every block with views of its part of the columns."""
    columns = list(made.columns)
    periods_s = (made.holds_ms / HOLD_PERIODS / 1000).T.tolist()
    rpm = channels.index("rpm") if "rpm" in channels else None
    newest = None if rpm is None else made.newest(rpm)
    blocks = []
    for number, known in enumerate(made.known.T.tolist()):
        own = slice(number * BLOCK_FRAMES, (number + 1) * BLOCK_FRAMES)
        pairs = zip(channels, columns, periods_s[number], known, strict=True)
        shown = [(channel, column[own], period) for channel, column, period, k in pairs if k]
        given = {channel: column for channel, column, _ in shown}
        if newest is not None and "rpm" in given:
            given["rpm last"] = newest[own]
        blocks.append(
            Block(
                made.start_ms + number * BLOCK_MS, contiguous or number > 0, given,
                made.fresh[own], int(made.samples[number]),
                {channel: period for channel, _, period in shown},
            )
        )  # fmt: skip
    return blocks
