"""Added sensors that tell the key's position: an ignition line and the voltage at the supply.

On CAN there is no adapter to tell either, and some adapters tell neither. A contact sensor with
the channel ``ignition_line`` and a converter with the channel ``supply_v`` do: they are sensors
like others, and what they say is listened to on its way to the recorder.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Mapping
from typing import Protocol

from sootsayer.clock import LogClock
from sootsayer.model import Reading, SourceEvent
from sootsayer.sources.key_off import Lines
from sootsayer.units import MS_PER_S

IGNITION_LINE, SUPPLY = "ignition_line", "supply_v"
KEY_CHANNELS = frozenset({IGNITION_LINE, SUPPLY})
STALE_S = 10.0  # a sensor that has said nothing for so long tells nothing
FIRST_WAIT_S = 2.0  # real time a source waits for the first word, before it asks the car anything

Emit = Callable[[SourceEvent], None]


class Source(Protocol):
    def run(self, emit: Emit, stop: threading.Event) -> None: ...


Make = Callable[[LogClock], Source]


class KeyLines:
    """``channels``: those of `KEY_CHANNELS` that sensors are configured for. For any thread."""

    def __init__(self, channels: Collection[str]) -> None:
        self._first = {channel: threading.Event() for channel in KEY_CHANNELS & set(channels)}
        self._last: dict[str, tuple[int, float]] = {}

    def hear(self, event: SourceEvent) -> None:
        """What a sensor says."""
        if not isinstance(event, Reading):
            return
        for sample in event.samples:
            if sample.channel in self._first:
                value = sample.raw * sample.scaling.scale + sample.scaling.offset
                self._last[sample.channel] = (event.t_ms, value)
                self._first[sample.channel].set()

    def lines(self, clock: LogClock) -> Lines:
        def ignition() -> bool | None:
            value = self._value(IGNITION_LINE, clock)
            return None if value is None else value > 0.5

        return Lines(volts=lambda: self._value(SUPPLY, clock), ignition=ignition)

    def _value(self, channel: str, clock: LogClock) -> float | None:
        """The last word, None where there is none or it is old. The first is waited for, once."""
        first = self._first.get(channel)
        if first is None:
            return None
        if not first.is_set():
            first.wait(FIRST_WAIT_S)
            first.set()
        t_ms, value = self._last.get(channel, (None, 0.0))
        if t_ms is None or clock.now_ms() - t_ms > STALE_S * MS_PER_S:
            return None
        return value


class _Heard:
    """A sensor whose readings are also told to ``lines``."""

    def __init__(self, source: Source, lines: KeyLines) -> None:
        self._source = source
        self._lines = lines

    def run(self, emit: Emit, stop: threading.Event) -> None:
        def both(event: SourceEvent) -> None:
            self._lines.hear(event)
            emit(event)

        self._source.run(both, stop)


def heard_lines(
    sensors: Mapping[str, Make], telling: Mapping[str, Collection[str]]
) -> tuple[Callable[[LogClock], Lines], dict[str, Make]]:
    """A maker of `Lines`, and the makers of ``sensors``, of which some are listened to.

    ``telling``: which of `KEY_CHANNELS` each of them gives.
    """
    lines = KeyLines(frozenset().union(*telling.values()))

    def heard(make: Make) -> Make:
        return lambda clock: _Heard(make(clock), lines)

    made = {name: heard(make) if telling.get(name) else make for name, make in sensors.items()}
    return lines.lines, made
