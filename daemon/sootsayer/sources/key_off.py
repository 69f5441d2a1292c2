"""Is the key off, and has the engine started again? Pure: time and readings come in as numbers.

When the key is off nothing may be asked of the car, so the answer to the second question rests on
the voltage at the adapter alone.
"""

from __future__ import annotations

from collections.abc import Sequence

from sootsayer.sources.adapter_settings import SerialSettings
from sootsayer.units import MS_PER_S


class KeyWatch:
    """Follows engine speed, voltage and missed replies while the car is being asked."""

    def __init__(self, settings: SerialSettings) -> None:
        self._settings = settings
        self._stopped_since_ms: int | None = None
        self.volts: float | None = None
        self.missed = 0

    @property
    def charging(self) -> bool:
        return self.volts is not None and self.volts >= self._settings.charging_volts

    @property
    def silent(self) -> bool:
        """So many requests in a row went unanswered that nobody is there."""
        return self.missed >= self._settings.missed_replies

    def engine_speed(self, t_ms: int, rpm: float) -> None:
        if rpm > 0:
            self._stopped_since_ms = None
        elif self._stopped_since_ms is None:
            self._stopped_since_ms = t_ms

    def replied(self, answered: bool) -> None:
        self.missed = 0 if answered else self.missed + 1

    def key_off(self, now_ms: int) -> str:
        """Why the key must be off, "" while it may be on."""
        if self.charging:
            return ""
        if self.silent:
            return self.unanswered()
        if self._stopped_since_ms is None:
            return ""
        settings = self._settings
        wait_s = settings.engine_stopped_s
        if self.volts is None:
            wait_s = settings.engine_stopped_without_volts_s
        stopped_s = (now_ms - self._stopped_since_ms) / MS_PER_S
        if stopped_s < wait_s:
            return ""
        return f"engine stopped for {stopped_s:.0f} s, {self._volts_in_words()}"

    def unanswered(self) -> str:
        """The reason when nobody answers."""
        return f"no control unit answers, {self._volts_in_words()}"

    def _volts_in_words(self) -> str:
        return "voltage unknown" if self.volts is None else f"{self.volts:.1f} V"


class Rest:
    """Follows the voltage while nothing is asked of the car."""

    def __init__(self, settings: SerialSettings) -> None:
        self._settings = settings
        self._lowest: float | None = None

    def started(self, volts: float | None) -> str:
        """Why the engine must be running again, "" while it rests."""
        if volts is None:
            return ""
        lowest = volts if self._lowest is None else min(volts, self._lowest)
        self._lowest = lowest
        if volts >= self._settings.charging_volts:
            return f"charging at {volts:.1f} V"
        if volts - lowest >= self._settings.rise_volts:
            return f"voltage rose from {lowest:.1f} to {volts:.1f} V"
        return ""


class Pauses:
    """Pauses that grow along a list; the last one repeats until ``reset``."""

    def __init__(self, pauses_s: Sequence[float]) -> None:
        self._pauses_s = pauses_s
        self._used = 0

    def next_s(self) -> float:
        pause_s = self._pauses_s[min(self._used, len(self._pauses_s) - 1)]
        self._used += 1
        return pause_s

    def reset(self) -> None:
        self._used = 0
