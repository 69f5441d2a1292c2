"""Readings gathered in memory, merged by channel and cut into chunks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from sootsayer.model import IntArray
from sootsayer.store.chunk import CHUNK_MS, STRETCH_MS, Chunk, Column, encode


@dataclass(slots=True)
class Gathered:
    """Pieces of readings by channel, in order of arrival."""

    pieces: dict[int, list[Column]] = field(default_factory=dict)
    samples: int = 0

    def add(self, column: Column) -> None:
        if len(column.t_ms):
            self.pieces.setdefault(column.channel, []).append(column)
            self.samples += len(column.t_ms)

    def extend(self, columns: Iterable[Column]) -> None:
        for column in columns:
            self.add(column)

    def all(self) -> Iterator[Column]:
        for pieces in self.pieces.values():
            yield from pieces


def merge(*parts: Gathered) -> list[Column]:
    """One column a channel, ascending; readings with equal stamps in order of arrival."""
    channels = sorted({channel for part in parts for channel in part.pieces})
    return [
        join(channel, [p for part in parts for p in part.pieces.get(channel, [])])
        for channel in channels
    ]


def join(channel: int, pieces: list[Column]) -> Column:
    """Pieces of one channel as one ascending column."""
    if not pieces:
        return Column(channel, np.empty(0, np.int64), np.empty(0, np.int64))
    if len(pieces) == 1:
        t_ms, raw = pieces[0].t_ms, pieces[0].raw
    else:
        t_ms = np.concatenate([piece.t_ms for piece in pieces])
        raw = np.concatenate([piece.raw for piece in pieces])
    if np.any(t_ms[1:] < t_ms[:-1]):
        order = np.argsort(t_ms, kind="stable")
        t_ms, raw = t_ms[order], raw[order]
    return Column(channel, t_ms, raw)


def between(column: Column, start_ms: int, end_ms: int) -> Column:
    """The readings with ``start < t <= end`` of an ascending column."""
    low, high = np.searchsorted(column.t_ms, [start_ms, end_ms], side="right")
    return Column(column.channel, column.t_ms[low:high], column.raw[low:high])


def minute_of(t_ms: int) -> int:
    """Start of the minute that holds t: ``start < t <= start + 60 s``."""
    return (t_ms - 1) // CHUNK_MS * CHUNK_MS


def cut(columns: list[Column], upto_ms: int) -> tuple[list[Column], list[Column]]:
    """Ascending columns up to ``upto_ms``, and what is later."""
    done: list[Column] = []
    later: list[Column] = []
    for column in columns:
        at = int(np.searchsorted(column.t_ms, upto_ms, side="right"))
        for part, where in ((done, slice(0, at)), (later, slice(at, None))):
            if len(column.t_ms[where]):
                part.append(Column(column.channel, column.t_ms[where], column.raw[where]))
    return done, later


def chunks(columns: list[Column], upto_ms: int) -> Iterator[tuple[Chunk, list[Column]]]:
    """Ascending columns, all up to ``upto_ms``, as chunks, each with the columns in it.

    Ten minutes that are over make one chunk, the rest one a minute; the last may be shorter.
    """
    starts, ends = _bounds(columns, upto_ms)
    cuts = [np.searchsorted(column.t_ms, [starts, ends], side="right") for column in columns]
    for number, start_ms in enumerate(starts.tolist()):
        inside = [
            Column(column.channel, column.t_ms[low:high], column.raw[low:high])
            for column, (lows, highs) in zip(columns, cuts, strict=True)
            if (low := lows[number]) < (high := highs[number])
        ]
        yield encode(inside, start_ms, min(int(ends[number]), upto_ms)), inside


def _bounds(columns: list[Column], upto_ms: int) -> tuple[IntArray, IntArray]:
    """Starts and ends of the chunks in which there is anything."""
    minutes = [np.unique((column.t_ms - 1) // CHUNK_MS) for column in columns]
    starts = np.unique(np.concatenate([np.empty(0, np.int64), *minutes])) * CHUNK_MS
    stretches = starts // STRETCH_MS * STRETCH_MS
    over = stretches + STRETCH_MS <= upto_ms
    starts = np.unique(np.where(over, stretches, starts))
    over = (starts % STRETCH_MS == 0) & (starts + STRETCH_MS <= upto_ms)
    return starts, starts + np.where(over, STRETCH_MS, CHUNK_MS)
