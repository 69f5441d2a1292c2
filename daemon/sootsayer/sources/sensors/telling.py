"""What all sensor sources have in common: name, clock, and telling changes of state once."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable

from sootsayer.clock import LogClock
from sootsayer.model import Reading, Sample, SourceEvent, SourceState, SourceStatus

Emit = Callable[[SourceEvent], None]
RETRY_PAUSES_S = (1.0, 2.0, 5.0, 10.0, 30.0)  # a device that vanished; it costs one look


class Teller:
    """Base of the sources. ``counters`` are by trouble; told with the sensor's name before them."""

    def __init__(self, name: str, clock: LogClock) -> None:
        self.name = name
        self.source = f"sensor {name}"
        self.counters: Counter[str] = Counter()
        self.clock = clock
        self.emit: Emit = lambda event: None
        self.stop = threading.Event()
        self._status: tuple[SourceState, str] | None = None

    def say(self, state: SourceState, reason: str) -> None:
        """Tell a change of state, once."""
        if self._status == (state, reason):
            return
        self._status = (state, reason)
        counters = {f"{self.name} {what}": count for what, count in self.counters.items()}
        self.emit(SourceStatus(self.clock.now_ms(), self.source, state, reason, counters))

    def tell(self, t_ms: int, *samples: Sample) -> None:
        self.emit(Reading(t_ms, self.source, samples))
