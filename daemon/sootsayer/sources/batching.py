"""Events become arrays here: what arrived since the last batch, one pair of arrays per channel."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np

from sootsayer.model import (
    Batch,
    CodeSeen,
    CodesRead,
    Identity,
    Mark,
    Reading,
    Scaling,
    Series,
    SourceEvent,
    SourceStatus,
)

OtherEvent = CodeSeen | CodesRead | Identity | SourceStatus


class _Column:
    """Stamps and raw integers of one channel under one scaling."""

    __slots__ = ("channel", "raw", "scaling", "t_ms")

    def __init__(self, channel: str, scaling: Scaling) -> None:
        self.channel = channel
        self.scaling = scaling
        self.t_ms: list[int] = []
        self.raw: list[int] = []

    def take(self, upto_ms: int) -> Series | None:
        """Cut off everything up to and including ``upto_ms``."""
        t_ms, raw = self.t_ms, self.raw
        if not t_ms or t_ms[0] > upto_ms:
            return None
        end = len(t_ms) if t_ms[-1] <= upto_ms else bisect_right(t_ms, upto_ms)
        series = Series(
            self.channel,
            self.scaling,
            np.array(t_ms[:end], dtype=np.int64),
            np.array(raw[:end], dtype=np.int64),
        )
        del t_ms[:end], raw[:end]
        return series


class BatchBuilder:
    """Collects the events of one thread and cuts them into batches.

    A stamp may not lie at or before a batch already taken, nor before an earlier stamp of the
    same unit: such a stamp is moved up to the first free millisecond and counted in ``late``.
    Whoever takes batches should therefore leave about one reply's time between now and
    ``upto_ms``. Units are apart because several sources run side by side, and one that waits for
    a reply tells later of an earlier moment than one that does not. A mark is no part of a batch.
    """

    def __init__(self) -> None:
        self._columns: dict[tuple[str, str], _Column] = {}
        self._events: list[OtherEvent] = []
        self._taken_ms: int | None = None
        self._last_ms: dict[str, int] = {}  # by unit
        self.late = 0
        self.readings = 0

    def add(self, event: SourceEvent) -> None:
        if not isinstance(event, Reading):
            if not isinstance(event, Mark):
                self._events.append(event)
            return
        self.readings += 1
        t_ms = self._in_order(event.t_ms, event.unit)
        columns = self._columns
        for sample in event.samples:
            key = (sample.channel, sample.scaling.name)
            column = columns.get(key)
            if column is None:
                column = columns[key] = _Column(sample.channel, sample.scaling)
            stamps = column.t_ms
            # two units that give one channel: an array ascends whoever spoke
            stamps.append(t_ms if not stamps or t_ms >= stamps[-1] else stamps[-1])
            column.raw.append(sample.raw)

    def _in_order(self, t_ms: int, unit: str) -> int:
        earliest = max(t_ms, self._last_ms.get(unit, t_ms))
        if self._taken_ms is not None and earliest <= self._taken_ms:
            earliest = self._taken_ms + 1
        if earliest != t_ms:
            self.late += 1
        self._last_ms[unit] = earliest
        return earliest

    def take(self, upto_ms: int) -> Batch:
        """Everything up to and including ``upto_ms``; later readings wait for the next batch."""
        if self._taken_ms is not None:
            upto_ms = max(upto_ms, self._taken_ms)
        self._taken_ms = upto_ms
        taken = (column.take(upto_ms) for column in self._columns.values())
        series = tuple(one for one in taken if one is not None)
        events = tuple(event for event in self._events if event.t_ms <= upto_ms)
        if events:
            self._events = [event for event in self._events if event.t_ms > upto_ms]
        return Batch(upto_ms, series, events)
