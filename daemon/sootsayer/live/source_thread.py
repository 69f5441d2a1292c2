"""A source in its own thread, tried again after trouble, with pauses that grow.

A source brings its own reconnecting where it knows the trade; this is the net below it. What
the environment does wrong (SootsayerError, OSError) is waited out; what we do wrong ends the
recorder, so that the service manager starts a fresh one.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import Protocol

from sootsayer.clock import LogClock
from sootsayer.live.intake import Intake
from sootsayer.model import Reading, SootsayerError, SourceEvent, SourceState, SourceStatus
from sootsayer.settings import RecorderSettings

log = logging.getLogger(__name__)


class Source(Protocol):
    """Anything readings come from."""

    def run(self, emit: Callable[[SourceEvent], None], stop: threading.Event) -> None:
        """Emit events until ``stop`` is set. Returning early counts as trouble."""


class SourceThread:
    """Runs ``source`` from `start` to `stop` and puts its events into ``intake``."""

    def __init__(
        self, name: str, source: Source, intake: Intake, clock: LogClock, settings: RecorderSettings
    ) -> None:
        self.name = name
        self._source = source
        self._intake = intake
        self._clock = clock
        self._settings = settings
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"source {name}", daemon=True)
        self._told = ""
        self._read_since_trouble = False

    def start(self) -> None:
        self._thread.start()

    def stop(self, wait_s: float) -> None:
        """Ask it to end and wait at most ``wait_s``: a stuck driver must not hold up the rest."""
        self._stop.set()
        self._thread.join(wait_s)
        if self._thread.is_alive():
            log.warning("source %s did not end within %g s", self.name, wait_s)

    def _run(self) -> None:
        pause_s = self._settings.retry_first_s
        while not self._stop.is_set():
            self._read_since_trouble = False
            reason = self._run_once()
            if self._stop.is_set():
                return
            if self._read_since_trouble:
                pause_s = self._settings.retry_first_s
            self._tell(reason)
            self._stop.wait(pause_s)
            pause_s = min(2 * pause_s, self._settings.retry_longest_s)

    def _run_once(self) -> str:
        """Run the source; why it ended."""
        try:
            self._source.run(self._emit, self._stop)
        except (SootsayerError, OSError) as trouble:
            return str(trouble)
        except Exception as mistake:
            self._intake.fail(mistake)
            self._stop.set()
        return "the source ended by itself"

    def _emit(self, event: SourceEvent) -> None:
        if isinstance(event, Reading):
            self._read_since_trouble = True
            self._told = ""
        self._intake.put(self.name, event)

    def _tell(self, reason: str) -> None:
        """Only changes are told: the same trouble every 30 s would wear the card."""
        if reason == self._told:
            return
        self._told = reason
        log.warning("source %s: %s", self.name, reason)
        status = SourceStatus(self._clock.now_ms(), self.name, SourceState.UNPLUGGED, reason)
        self._intake.put(self.name, status)
