"""Batches waiting for the rules: first what the archive holds beyond the saved state, then news.

The recorder stores every batch before it is judged here, so a slow catching-up after a long
outage never costs a reading.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, Protocol, TypeVar

from sootsayer.clock import Deadline
from sootsayer.model import Batch, Changes, Verdict

log = logging.getLogger(__name__)

T = TypeVar("T")


class Pipeline(Protocol):
    """What the recorder asks of the pipeline."""

    @property
    def done_ms(self) -> int | None: ...

    def feed(self, batch: Batch) -> Changes: ...

    def verdict(self) -> Verdict: ...

    def state(self) -> dict[str, Any]: ...


class Judging:
    """Feeds ``pipeline`` from ``backlog`` (stored after ``pipeline.done_ms``), then from `add`.

    A mistake in a rule must not cost the recording: it is logged, judging ends until the next
    start, and what goes on being stored is judged then.
    """

    def __init__(self, pipeline: Pipeline, backlog: Iterator[Batch]) -> None:
        self._pipeline = pipeline
        self._backlog: Iterator[Batch] | None = backlog
        self._waiting: deque[Batch] = deque()
        self.failed = False

    def add(self, batch: Batch) -> None:
        if not self.failed:
            self._waiting.append(batch)

    def work(self, for_s: float) -> Iterator[Changes]:
        """What the rules find, batch by batch, until nothing waits or ``for_s`` is over."""
        deadline = Deadline(for_s)
        while not self.failed and (batch := self._next()) is not None:
            changes = self._guarded(partial(self._pipeline.feed, batch))
            if changes is not None:
                yield changes
            if deadline.passed():
                return

    def verdict(self) -> Verdict | None:
        """The verdict so far, None after a failure."""
        return None if self.failed else self._guarded(self._pipeline.verdict)

    def state(self) -> dict[str, Any] | None:
        """What must survive a restart, None after a failure: half a step is not to be kept."""
        return None if self.failed else self._guarded(self._pipeline.state)

    def _next(self) -> Batch | None:
        if self._backlog is not None:
            batch = next(self._backlog, None)
            if batch is not None:
                return batch
            self._backlog = None
        return self._waiting.popleft() if self._waiting else None

    def _guarded(self, step: Callable[[], T]) -> T | None:
        try:
            return step()
        except Exception:
            log.exception("a mistake of ours: judging ends until the next start, recording goes on")
            self.failed = True
            self._backlog = None
            self._waiting.clear()
            return None
