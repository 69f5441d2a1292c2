"""Is the key off, and has the engine started again? Pure: time and readings come in as numbers.

When the key is off nothing may be asked of the car, so the answer to the second question rests on
the voltage at the adapter and on its ignition line, where it has one that has been seen to change.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sootsayer.sources.adapter_settings import SerialSettings
from sootsayer.units import MS_PER_S


@dataclass(frozen=True, slots=True)
class Lines:
    """Added sensors that tell the key's position; each gives None while it is unknown."""

    volts: Callable[[], float | None] = lambda: None
    ignition: Callable[[], bool | None] = lambda: None


class KeyWatch:
    """Follows engine speed, voltage and missed replies while the car is being asked."""

    def __init__(self, settings: SerialSettings) -> None:
        self._settings = settings
        self._stopped_since_ms: int | None = None
        self._line_was_on = False
        self._line_off = False
        self.volts: float | None = None
        self.missed = 0

    @property
    def charging(self) -> bool:
        return self.volts is not None and self.volts >= self._settings.charging_volts

    @property
    def _surely_charging(self) -> bool:
        return self.volts is not None and self.volts >= self._settings.surely_charging_volts

    @property
    def silent(self) -> bool:
        """So many requests in a row went unanswered that nobody is there."""
        return self.missed >= self._settings.missed_replies

    def engine_speed(self, t_ms: int, rpm: float) -> None:
        if rpm > 0:
            self._stopped_since_ms = None
        elif self._stopped_since_ms is None:
            self._stopped_since_ms = t_ms

    def ignition_line(self, on: bool | None) -> None:
        """What the line says. Off means something only after it has been on."""
        if on:
            self._line_was_on = True
        self._line_off = self._line_was_on and on is False

    @property
    def line_tells(self) -> bool:
        """Whether the line has been on with this car, so that its being off is no broken wire."""
        return self._line_was_on

    @property
    def _stopped(self) -> bool:
        """Engine speed was nought when it was last heard of."""
        return self._stopped_since_ms is not None

    def replied(self, answered: bool) -> None:
        self.missed = 0 if answered else self.missed + 1

    def key_off(self, now_ms: int) -> str:
        """Why the key must be off, "" while it may be on.

        A battery that was charged a moment ago still shows a charging voltage: an engine that
        stood still before all went silent, or before the line went off, is not running.
        """
        if self._stopped and self._line_off:
            return f"ignition line went off, {self._volts_in_words()}"
        if self.charging and not (self._stopped and self.silent and not self._surely_charging):
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
    """Follows voltage and ignition line while nothing is asked of the car.

    ``line_tells``: the line was on while the car was awake.
    """

    def __init__(self, settings: SerialSettings, line_tells: bool = False) -> None:
        self._settings = settings
        self._line_tells = line_tells
        self._lowest: float | None = None
        self._line_was_off = False

    def started(self, volts: float | None, line_on: bool | None = None) -> str:
        """Why the engine must be running again, or the key on, "" while it rests.

        A charging voltage counts once it has been lower, or when no resting battery can have it.
        """
        if line_on is False:
            self._line_was_off = True
        if line_on and self._line_was_off:
            return "ignition line went on"
        if volts is None:
            return ""
        lowest = volts if self._lowest is None else min(volts, self._lowest)
        self._lowest = lowest
        charging, sure = self._settings.charging_volts, self._settings.surely_charging_volts
        if volts >= sure or lowest < charging <= volts:
            return f"charging at {volts:.1f} V"
        if volts - lowest >= self._settings.rise_volts:
            return f"voltage rose from {lowest:.1f} to {volts:.1f} V"
        return ""

    @property
    def sees(self) -> bool:
        """Whether anything has been seen that could tell of a start."""
        return self._lowest is not None or (self._line_tells and self._line_was_off)


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
