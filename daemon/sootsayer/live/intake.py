"""The bounded queue between source threads, people's requests and the one pipeline thread.

A source is never held up: when the queue is full its readings are dropped, counted and told as
a gap. News about a source, codes and requests are few and always kept.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any

from sootsayer.model import Gap, Reading, SootsayerError, SourceEvent

ANSWER_WITHIN_S = 8.0  # longer than any commit on a slow card, shorter than a client's patience


@dataclass(frozen=True, slots=True)
class Asked:
    """A request and where its answer goes."""

    request: Mapping[str, Any]
    answer: Future[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Taken:
    """What had arrived. ``lost``: the stretch in which readings were dropped, and how many."""

    events: tuple[tuple[str, SourceEvent], ...]  # (name of the source, event)
    requests: tuple[Asked, ...]
    lost: Gap | None
    lost_readings: int
    stopping: bool
    failure: BaseException | None


class Intake:
    """Holds at most ``limit`` readings."""

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._condition = threading.Condition()
        self._events: list[tuple[str, SourceEvent]] = []
        self._readings = 0
        self._requests: list[Asked] = []
        self._lost_ms: list[int] = []  # first and last stamp lost, empty when none
        self._lost_readings = 0
        self._stopping = False
        self._failure: BaseException | None = None

    def put(self, source: str, event: SourceEvent) -> None:
        """Called by source threads; returns at once."""
        with self._condition:
            if isinstance(event, Reading):
                if self._readings >= self._limit:
                    self._lose(event)
                    return
                self._readings += 1
            self._events.append((source, event))

    def _lose(self, reading: Reading) -> None:
        self._lost_ms = [self._lost_ms[0] if self._lost_ms else reading.t_ms, reading.t_ms]
        self._lost_readings += 1

    def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Put a request before the pipeline thread and wait for its answer."""
        asked = Asked(request, Future())
        with self._condition:
            if self._stopping:
                raise SootsayerError("the recorder is stopping; ask again when it runs")
            self._requests.append(asked)
            self._condition.notify()
        try:
            return asked.answer.result(ANSWER_WITHIN_S)
        except TimeoutError:
            raise SootsayerError(
                f"the recorder did not answer within {ANSWER_WITHIN_S:g} s; it is busy, try again"
            ) from None

    def stop(self) -> None:
        """Ask the pipeline thread to finish. Safe in a signal handler: the lock is reentrant."""
        with self._condition:
            self._stopping = True
            self._condition.notify()

    def fail(self, failure: BaseException) -> None:
        """A source broke through a mistake of ours; the pipeline thread shall stop."""
        with self._condition:
            self._failure = failure
            self._condition.notify()

    def take(self, wait_s: float) -> Taken:
        """What arrived, after ``wait_s`` or as soon as someone asks, stops or fails."""
        with self._condition:
            self._condition.wait_for(
                lambda: self._stopping or self._failure or self._requests, timeout=wait_s
            )
            lost = Gap(self._lost_ms[0] - 1, self._lost_ms[-1], "recorder fell behind") \
                if self._lost_ms else None  # fmt: skip
            taken = Taken(
                tuple(self._events),
                tuple(self._requests),
                lost,
                self._lost_readings,
                self._stopping,
                self._failure,
            )
            self._events, self._requests, self._lost_ms = [], [], []
            self._readings = self._lost_readings = 0
            return taken
