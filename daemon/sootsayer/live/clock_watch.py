"""Watches the wall clock beside the boot clock, and says when an anchor must be kept.

A small computer without a battery-backed clock starts with the wrong time and is stepped when
it first hears a time server; a phone may set it too. Readings rest on boot time, so nothing
moves; the anchor tells later which wall time a log time really was.
"""

from __future__ import annotations

from pathlib import Path

from sootsayer.clock import LogClock, boottime_ms, wall_ms
from sootsayer.model import Anchor


class ClockWatch:
    """``synchronised_file`` exists once the clock has been set by a time server."""

    def __init__(self, clock: LogClock, step_ms: int, synchronised_file: Path) -> None:
        self._clock = clock
        self._step_ms = step_ms
        self._synchronised_file = synchronised_file
        self._kept_lead_ms = wall_ms() - boottime_ms()
        self._kept_trust = self.trusted()

    def trusted(self) -> bool:
        return self._synchronised_file.exists()

    def look(self) -> Anchor | None:
        """A new anchor if the wall clock stepped or its trust changed since the last one."""
        now_wall_ms = wall_ms()
        lead_ms, trust = now_wall_ms - boottime_ms(), self.trusted()
        stepped = abs(lead_ms - self._kept_lead_ms) > self._step_ms
        if not stepped and trust == self._kept_trust:
            return None
        self._kept_lead_ms, self._kept_trust = lead_ms, trust
        source = "ntp" if trust else "system"
        return Anchor(self._clock.now_ms(), now_wall_ms, trust, source)
