"""How the recorder itself is doing, kept in the archive for the dashboard to show."""

from __future__ import annotations

import shutil
from collections import deque
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sootsayer import __version__
from sootsayer.model import Reading, SourceEvent, SourceState, SourceStatus

RATE_OVER_MS = 10_000  # long enough for channels asked every 5 s, short enough to follow changes
BOARD_TEMPERATURE = Path("/sys/class/thermal/thermal_zone0/temp")  # thousandths of °C


class Health:
    """Collects what happened and makes the state named "health" of it.

    ``fixed``: what does not change while the recorder runs (port, commit_s, restarts).
    """

    def __init__(
        self,
        archive: Path,
        fixed: Mapping[str, Any],
        start_ms: int,
        board_temperature: Path = BOARD_TEMPERATURE,
    ) -> None:
        self._folder = archive.parent
        self._fixed = dict(fixed)
        self._board_temperature = board_temperature
        self._start_ms = start_ms
        self.state: str = SourceState.CONNECTING
        self.reason = "waiting for the adapter"
        self.since_ms = start_ms
        self.judging = ""  # why nothing is judged at present
        self.beside: dict[str, str] = {}  # trouble of sources that run beside the first
        self.storing = ""  # what is wrong with the disk
        self.damage = ""  # what in the archive is not what was written
        self.last_reading_ms: int | None = None
        self.counters: dict[str, int] = {}
        self._recent: dict[str, deque[tuple[int, int]]] = {}  # source → (stamp, samples)

    def count(self, name: str, more: int = 1) -> None:
        self.counters[name] = self.counters.get(name, 0) + more

    def event(self, source: str, event: SourceEvent, beside: bool = False) -> bool:
        """Take note of it; whether the state or what is told of it changed.

        ``beside``: from a source that does not read the car itself.
        """
        if isinstance(event, Reading):
            if not beside:
                self.last_reading_ms = event.t_ms
            self._recent.setdefault(source, deque()).append((event.t_ms, len(event.samples)))
        if not isinstance(event, SourceStatus):
            return False
        self.counters.update(event.counters)
        if beside:
            return self._beside(source, event)
        return self.enter(event.state, event.reason, event.t_ms)

    def _beside(self, source: str, status: SourceStatus) -> bool:
        before = self.beside.pop(source, "")
        if status.state is not SourceState.READING:
            self.beside[source] = f"{source} {status.state}: {status.reason}"
        return self.beside.get(source, "") != before

    def enter(self, state: str, reason: str, t_ms: int) -> bool:
        """Change the state; whether it was another one before."""
        if (state, reason) == (self.state, self.reason):
            return False
        if state != self.state:
            self.since_ms = t_ms
        self.state, self.reason = state, reason
        return True

    def full_reason(self) -> str:
        """Why it is in this state, what ails disk and archive, why nothing is judged, if so."""
        judging = f"judging {self.judging}" if self.judging else ""
        told = (self.reason, self.storing, self.damage, judging, *self.beside.values())
        return "; ".join(part for part in told if part)

    def rates(self, now_ms: int) -> dict[str, float]:
        """Readings per second by source over the last ten seconds, one decimal."""
        over_s = min(RATE_OVER_MS, max(1000, now_ms - self._start_ms)) / 1000
        for recent in self._recent.values():
            while recent and recent[0][0] <= now_ms - RATE_OVER_MS:
                recent.popleft()
        return {
            source: round(sum(samples for _, samples in recent) / over_s, 1)
            for source, recent in self._recent.items()
        }

    def as_json(self, now_ms: int) -> dict[str, Any]:
        """The pinned keys; stamps are log time, null where nothing is known."""
        return {
            "state": str(self.state),
            "reason": self.full_reason(),
            "since_ms": self.since_ms,
            "readings_per_s": self.rates(now_ms),
            "counters": dict(self.counters),
            "version": __version__,
            "last_reading_ms": self.last_reading_ms,
            "board_temp_c": self._board_c(),
            "disk_free_bytes": shutil.disk_usage(self._folder).free,
            "now_ms": now_ms,
            **self._fixed,
        }

    def _board_c(self) -> float | None:
        try:
            return int(self._board_temperature.read_text()) / 1000
        except (OSError, ValueError):
            return None  # a machine without that sensor
