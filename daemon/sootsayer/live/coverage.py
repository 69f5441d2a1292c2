"""Finds the stretches without readings and says why they are empty."""

from __future__ import annotations

import numpy as np

from sootsayer.model import Batch, Gap, SourceState, SourceStatus


class Coverage:
    """``gap_ms``: silence up to this long is ordinary polling, not a gap.

    ``last_ms``: the last reading of an earlier run, None in a new archive; ``reason``: why there
    has been nothing since. What was missed while no recorder ran is a gap however short.
    """

    def __init__(self, gap_ms: int, last_ms: int | None, reason: str) -> None:
        self._gap_ms = gap_ms
        self._last_ms = last_ms
        self._reason = reason
        self._first = bool(reason)
        self._resting = False  # the source has said that it is not reading the car

    def reading(self, t_ms: int) -> Gap | None:
        """The gap that this reading ends, if it ends one.

        While the source rests, only the adapter's own voltage comes, and that covers nothing.
        """
        if self._resting:
            return None
        last_ms, reason = self._last_ms, self._reason
        self._last_ms = t_ms if last_ms is None else max(t_ms, last_ms)
        self._reason = ""
        ordinary_ms = 0 if self._first else self._gap_ms
        self._first = False
        if last_ms is None or t_ms - last_ms <= ordinary_ms:
            return None
        # The interval is start < t <= end, and the reading at t itself is not missing.
        return Gap(last_ms, t_ms - 1, reason or "no answer")

    def status(self, status: SourceStatus) -> None:
        """The first trouble after the last reading explains the gap; what follows are attempts."""
        self._resting = status.state is not SourceState.READING
        if self._resting and not self._reason:
            self._reason = f"{status.state}: {status.reason}" if status.reason else status.state

    def batch(self, batch: Batch) -> list[Gap]:
        """All gaps that a batch of arrays ends, for recordings that do not come live."""
        happened: list[tuple[int, int, SourceStatus | None]] = [
            (event.t_ms, event.t_ms, event)
            for event in batch.events
            if isinstance(event, SourceStatus)
        ]
        happened += [(first_ms, last_ms, None) for first_ms, last_ms in self._runs(batch)]
        gaps = []
        for first_ms, last_ms, status in sorted(happened, key=lambda item: item[0]):
            if status is not None:
                self.status(status)
                continue
            if (gap := self.reading(first_ms)) is not None:
                gaps.append(gap)
            if not self._resting:
                self._last_ms = last_ms
        return gaps

    def _runs(self, batch: Batch) -> list[tuple[int, int]]:
        """First and last stamps of stretches without a gap inside."""
        if not batch.series:
            return []
        stamps = np.unique(np.concatenate([series.t_ms for series in batch.series]))
        ends = np.flatnonzero(np.diff(stamps) > self._gap_ms)
        firsts = stamps[np.concatenate([[0], ends + 1])]
        lasts = stamps[np.concatenate([ends, [len(stamps) - 1]])]
        return list(zip(firsts.tolist(), lasts.tolist(), strict=True))
