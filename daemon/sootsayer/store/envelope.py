"""Lowest, highest and mean per column of a plot; a spike of one reading is never lost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sootsayer.model import FloatArray, IntArray, Scaling
from sootsayer.store.level import SLOT_MS, Pieces


@dataclass(frozen=True, slots=True)
class Envelope:
    """What a plot of one channel draws. Arrays of length n <= the width asked for.

    Column i holds the readings with ``edges_ms[i] < t <= edges_ms[i + 1]``; ``t_ms`` is its
    middle, so all channels of one plot share it. ``low``, ``high`` and ``mean`` are in ``unit``,
    NaN where a column is empty; ``count`` says how many readings it holds.
    """

    channel: str
    unit: str
    edges_ms: IntArray
    low: FloatArray
    high: FloatArray
    mean: FloatArray
    count: IntArray

    @property
    def t_ms(self) -> IntArray:
        return (self.edges_ms[:-1] + self.edges_ms[1:]) // 2


def column_edges(start_ms: int, end_ms: int, width: int) -> IntArray:
    """At most ``width`` columns over ``start < t <= end``, equal but for first and last.

    From 10 s a column on, inner edges lie on whole slots of the 10 s level.
    """
    if end_ms <= start_ms or width < 1:
        return np.array([start_ms], np.int64)
    step_ms = -(-(end_ms - start_ms) // width)
    first_ms = start_ms
    if uses_level(start_ms, end_ms, width):
        first_ms = -(-start_ms // SLOT_MS) * SLOT_MS
        step_ms = -(-(end_ms - first_ms) // (width * SLOT_MS)) * SLOT_MS
    inner = np.arange(first_ms + step_ms, end_ms, step_ms, dtype=np.int64)
    return np.concatenate([[start_ms], inner, [end_ms]]).astype(np.int64)


def uses_level(start_ms: int, end_ms: int, width: int) -> bool:
    return end_ms - start_ms > (width * SLOT_MS)


def fold(
    channel: str, edges_ms: IntArray, parts: Sequence[tuple[Scaling, Sequence[Pieces]]]
) -> Envelope:
    """The envelope of pieces in order of time, from one or several scalings; what
    lies outside the edges is left out."""
    columns = len(edges_ms) - 1
    low, high = np.full(columns, np.inf), np.full(columns, -np.inf)
    total, count = np.zeros(columns), np.zeros(columns, np.int64)
    for scaling, pieces in parts:
        for piece in pieces:
            _add(edges_ms, scaling, piece, (low, high, total, count))
    empty = count == 0
    low[empty] = high[empty] = np.nan
    mean = np.full(columns, np.nan)
    np.divide(total, count, out=mean, where=~empty)
    unit = parts[-1][0].unit if parts else ""
    return Envelope(channel, unit, edges_ms, low, high, mean, count)


def _add(
    edges_ms: IntArray,
    scaling: Scaling,
    pieces: Pieces,
    into: tuple[FloatArray, FloatArray, FloatArray, IntArray],
) -> None:
    cuts = np.searchsorted(pieces.t_ms, edges_ms, side="right")
    filled = np.flatnonzero(cuts[1:] > cuts[:-1])
    if not len(filled):
        return
    first, last = cuts[:-1][filled], cuts[-1]
    low, high, total, count = into
    ends = [
        np.minimum.reduceat(pieces.low[:last], first) * scaling.scale + scaling.offset,
        np.maximum.reduceat(pieces.high[:last], first) * scaling.scale + scaling.offset,
    ]
    readings = np.add.reduceat(pieces.count[:last], first)
    low[filled] = np.minimum(low[filled], np.minimum(*ends))
    high[filled] = np.maximum(high[filled], np.maximum(*ends))
    sums = np.add.reduceat(pieces.total[:last], first)
    total[filled] += sums * scaling.scale + scaling.offset * readings
    count[filled] += readings
