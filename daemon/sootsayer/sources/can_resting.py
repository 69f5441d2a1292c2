"""Resting beside a car whose key is off: nothing is sent, everything is watched."""

from __future__ import annotations

import threading
from collections.abc import Callable

from sootsayer.clock import LogClock
from sootsayer.model import Reading
from sootsayer.sources.adapter_settings import SerialSettings
from sootsayer.sources.can_line import Line
from sootsayer.sources.can_rest import BusRest, Why
from sootsayer.sources.can_settings import CanSettings
from sootsayer.sources.interview import voltage_reading
from sootsayer.sources.key_off import Lines, Rest
from sootsayer.units import MS_PER_S

STEP_S = 0.25  # longest wait without a look at stop
IGNITION_OFF = "the ignition line is off"


class Resting:
    """``hear`` gets the voltage, where a line tells one."""

    def __init__(
        self,
        lines: Lines,
        clock: LogClock,
        settings: CanSettings,
        car_settings: SerialSettings,
        hear: Callable[[Reading], None],
    ) -> None:
        self._lines = lines
        self._clock = clock
        self._settings = settings
        self._car_settings = car_settings
        self._hear = hear
        self._rest = BusRest(settings)

    def engine_ran(self) -> None:
        self._rest.engine_ran()

    def lie_down(self, line: Line) -> None:
        """From here on nothing is sent."""
        self._rest.talked(line.foreign_ms)
        self._rest.lie_down(self._clock.now_ms())

    def until_started(
        self, line: Line, stop: threading.Event, engine_runs: Callable[[], bool]
    ) -> str:
        """Why the car may be asked again; "" when it is time to stop.

        ``engine_runs`` sends one small request, and is called only when that is allowed.
        """
        voltage = Rest(self._car_settings)
        look_ms = 0
        seen_ms = line.foreign_ms
        while not stop.is_set():
            _pass_over(line)
            if line.foreign_ms is not None and line.foreign_ms != seen_ms:
                seen_ms = line.foreign_ms
                self._rest.saw(seen_ms)
            now_ms = self._clock.now_ms()
            if now_ms >= look_ms:
                look_ms = now_ms + int(self._settings.look_s * MS_PER_S)
                if reason := self._started(voltage):
                    return reason
            why = None if self._lines.ignition() is False else self._rest.due(now_ms)
            if why is not None and (why is Why.TRAFFIC or engine_runs()):
                return str(why)
            line.wait(STEP_S)
        return ""

    def _started(self, voltage: Rest) -> str:
        """What beside the bus tells that the engine runs or the key is on."""
        if self._lines.ignition():
            return "the ignition line is on"
        volts = self._lines.volts()
        if volts is not None:
            self._hear(voltage_reading(self._clock.now_ms(), volts))
        return voltage.started(volts)

    def is_quiet(self, line: Line) -> bool:
        """Nobody else has sent anything for a while."""
        quiet_ms = self._settings.quiet_s * MS_PER_S
        return line.foreign_ms is None or self._clock.now_ms() - line.foreign_ms > quiet_ms

    def watch(self, line: Line, stop: threading.Event, seconds: float) -> bool:
        """Send nothing for a while, but see what the bus says. Whether it fell silent."""
        end_ms = self._clock.now_ms() + int(seconds * MS_PER_S)
        while self._clock.now_ms() < end_ms and not stop.is_set():
            _pass_over(line)
            if self.is_quiet(line):
                return True
            line.wait(STEP_S)
        return False


def _pass_over(line: Line) -> None:
    """Answers that came too late, or to another tester."""
    while line.next() is not None:
        pass
