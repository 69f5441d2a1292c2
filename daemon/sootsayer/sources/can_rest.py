"""When the car may be asked again after its key went off. Pure: times and frames come in.

While resting nothing is sent. Three things end it: an ignition line or a rising voltage, where
there is one; traffic on the bus after it had fallen asleep; and, with pauses that grow, a look at
a bus that is awake anyway. A bus on which nobody else ever talks can only be asked, seldom.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

from sootsayer.sources.can_settings import CanSettings
from sootsayer.sources.key_off import Pauses
from sootsayer.units import MS_PER_S


class Why(StrEnum):
    TRAFFIC = "the bus talks again"
    AWAKE = "looking whether the engine runs while the bus is awake"
    BLIND = "asking once: this bus never talks by itself"


class BusRest:
    """One car's rests. Kept over several of them, so that pauses grow until the engine runs."""

    def __init__(self, settings: CanSettings) -> None:
        self._quiet_ms = int(settings.quiet_s * MS_PER_S)
        self._wake = Pauses(settings.wake_pauses_s)
        self._awake = Pauses(settings.awake_pauses_s)
        self._blind_pauses_s: Sequence[float] = settings.blind_pauses_s
        self._blind = Pauses(settings.blind_pauses_s or (0.0,))
        self._talks = False
        self._frame_ms: int | None = None
        self._slept = False
        self._traffic_due_ms: int | None = None
        self._awake_due_ms = self._blind_due_ms = 0

    def engine_ran(self) -> None:
        for pauses in (self._wake, self._awake, self._blind):
            pauses.reset()

    def talked(self, frame_ms: int | None) -> None:
        """The last foreign frame seen while reading, None if there was none."""
        if frame_ms is not None:
            self._talks = True
            self._frame_ms = frame_ms

    def lie_down(self, now_ms: int) -> None:
        self._slept = False
        self._traffic_due_ms = None
        self._awake_due_ms = now_ms + self._ms(self._awake)
        self._blind_due_ms = now_ms + self._ms(self._blind)

    def saw(self, frame_ms: int) -> None:
        """A foreign frame while resting."""
        if self._talks and self._is_quiet(frame_ms):
            self._slept = True
        if (self._slept or not self._talks) and self._traffic_due_ms is None:
            self._traffic_due_ms = frame_ms + self._ms(self._wake)
        self._talks = True
        self._frame_ms = frame_ms

    def due(self, now_ms: int) -> Why | None:
        """Why the car may be asked now, None while it may not."""
        if self._traffic_due_ms is not None and not self._is_quiet(now_ms):
            return Why.TRAFFIC if now_ms >= self._traffic_due_ms else None
        self._traffic_due_ms = None  # what woke it has gone again
        if not self._talks:
            if not self._blind_pauses_s or now_ms < self._blind_due_ms:
                return None
            self._blind_due_ms = now_ms + self._ms(self._blind)
            return Why.BLIND
        if self._is_quiet(now_ms):
            self._slept = True
            return None
        if now_ms < self._awake_due_ms:
            return None
        self._awake_due_ms = now_ms + self._ms(self._awake)
        return Why.AWAKE

    def _is_quiet(self, now_ms: int) -> bool:
        return self._frame_ms is None or now_ms - self._frame_ms > self._quiet_ms

    def _ms(self, pauses: Pauses) -> int:
        return int(pauses.next_s() * MS_PER_S)
