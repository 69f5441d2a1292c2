"""Batches waiting for the rules: first what the archive holds beyond the saved state, then news.

The recorder stores every batch before it is judged here, so a slow catching-up after a long
outage never costs a reading.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import Any, Protocol

from sootsayer.clock import Deadline
from sootsayer.model import Batch, Changes, Verdict


class Pipeline(Protocol):
    """What the recorder asks of the pipeline."""

    @property
    def done_ms(self) -> int | None: ...

    def feed(self, batch: Batch) -> Changes: ...

    def verdict(self) -> Verdict: ...

    def state(self) -> dict[str, Any]: ...


class Judging:
    """Feeds ``pipeline`` from ``backlog`` (stored after ``pipeline.done_ms``), then live."""

    def __init__(self, pipeline: Pipeline, backlog: Iterator[Batch]) -> None:
        self.pipeline = pipeline
        self._backlog: Iterator[Batch] | None = backlog
        self._waiting: deque[Batch] = deque()

    @property
    def catching_up(self) -> bool:
        return self._backlog is not None

    def add(self, batch: Batch) -> None:
        self._waiting.append(batch)

    def work(self, for_s: float) -> Iterator[Changes]:
        """What the rules find, batch by batch, until nothing waits or ``for_s`` is over."""
        deadline = Deadline(for_s)
        while (batch := self._next()) is not None:
            yield self.pipeline.feed(batch)
            if deadline.passed():
                return

    def _next(self) -> Batch | None:
        if self._backlog is not None:
            batch = next(self._backlog, None)
            if batch is not None:
                return batch
            self._backlog = None
        return self._waiting.popleft() if self._waiting else None
