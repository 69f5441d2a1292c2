"""The 10 s level: lowest, highest and sum of raw integers per ten seconds, for wide plots.

Kept per channel and hour, made from that hour's chunks when the hour is over, so that a plot of
a month reads some hundred rows and not every minute. A slot is named by its end: slot ``e``
holds ``e - 10 s < t <= e``.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sootsayer.model import FloatArray, IntArray
from sootsayer.store.chunk import Column, compress, decompress
from sootsayer.store.columns import Reader, Writer

SLOT_MS = 10_000
HOUR_MS = 3_600_000
SUM_LIMIT = 2.0**62  # a slot beyond this cannot be summed in 64 bits


@dataclass(frozen=True, slots=True)
class Pieces:
    """Readings, or slots of them, in order of time. All arrays of length n.

    A reading is a piece with ``low == high == total`` and ``count`` 1.
    """

    t_ms: IntArray  # stamp, or end of the slot
    low: IntArray
    high: IntArray
    total: FloatArray
    count: IntArray

    def between(self, start_ms: int, end_ms: int) -> Pieces:
        """Pieces stamped ``start < t <= end``."""
        low, high = np.searchsorted(self.t_ms, [start_ms, end_ms], side="right")
        where = slice(int(low), int(high))
        return Pieces(
            self.t_ms[where],
            self.low[where],
            self.high[where],
            self.total[where],
            self.count[where],
        )


def hour_of(t_ms: int) -> int:
    """Start of the hour that holds t: ``start < t <= start + HOUR_MS``."""
    return (t_ms - 1) // HOUR_MS * HOUR_MS


def single(t_ms: IntArray, raw: IntArray) -> Pieces:
    """Every reading a piece of its own."""
    return Pieces(t_ms, raw, raw, raw.astype(np.float64), np.ones(len(raw), np.int64))


def pack_hour(columns: Sequence[Column], start_ms: int) -> tuple[int, bytes] | None:
    """Slots of one channel's readings in one hour, as (number of slots, body).

    None when a sum would not fit; then readers take the chunks.
    """
    t_ms = np.concatenate([column.t_ms for column in columns])
    raw = np.concatenate([column.raw for column in columns])
    order = np.argsort(t_ms, kind="stable")
    slot = -((start_ms - t_ms[order]) // SLOT_MS)  # rounded up: 1 is the first
    raw = raw[order]
    first = np.flatnonzero(np.diff(slot, prepend=slot[0] - 1))
    count = np.diff(first, append=len(slot))
    low, high = np.minimum.reduceat(raw, first), np.maximum.reduceat(raw, first)
    if float((np.maximum(np.abs(low * 1.0), np.abs(high * 1.0)) * count).max()) > SUM_LIMIT:
        return None
    writer = Writer()
    writer.number(len(first))
    above_low = np.add.reduceat(raw, first) - low * count
    for column in (slot[first], count, low, high - low, above_low):
        writer.column(column)
    return len(first), compress(writer.take())


def unpack_hour(body: bytes, start_ms: int) -> Pieces:
    """The slots of :func:`pack_hour`. Raises ValueError or ZstdError when damaged."""
    reader = Reader(decompress(body))
    slots = reader.number()
    slot, count, low, spread, above_low = (reader.column(slots) for _ in range(5))
    total = (above_low + low * count).astype(np.float64)
    return Pieces(start_ms + slot * SLOT_MS, low, low + spread, total, count)


def crc_of(channel: int, start_ms: int, slots: int, body: bytes) -> int:
    """Over the row's numbers as text and its body."""
    return zlib.crc32(body, zlib.crc32(f"{channel} {start_ms} {slots}".encode("ascii")))
