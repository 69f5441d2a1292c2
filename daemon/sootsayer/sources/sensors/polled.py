"""A sensor that is read in its period: a file of the kernel, a calibration, limits."""

from __future__ import annotations

import errno
import threading
from typing import Protocol

from sootsayer.clock import LogClock
from sootsayer.model import Scaling, SourceState
from sootsayer.protocol.calibration import Calibration
from sootsayer.sources.key_off import Pauses
from sootsayer.sources.sensors.kernel_files import GarbageError
from sootsayer.sources.sensors.telling import RETRY_PAUSES_S, Emit, Teller
from sootsayer.units import MS_PER_S

GONE = (errno.ENOENT, errno.ENODEV, errno.ENXIO)
TROUBLES_IN_A_ROW = 3  # one spoiled reading is noise; so many are a state that a person should see


class Reader(Protocol):
    def open(self) -> Scaling:
        """What one count is. Raises OSError when the device is not there."""

    def read(self) -> int:
        """One count. Raises OSError, GarbageError."""


class PolledSensor(Teller):
    """Reads until it is stopped. Whatever the device does is counted and told, never raised."""

    def __init__(
        self, name: str, reader: Reader, calibration: Calibration, period_s: float, clock: LogClock
    ) -> None:
        super().__init__(name, clock)
        self._reader = reader
        self._calibration = calibration
        self._period_s = period_s
        self._in_a_row = 0

    def run(self, emit: Emit, stop: threading.Event) -> None:
        self.emit, self.stop = emit, stop
        pauses = Pauses(RETRY_PAUSES_S)
        while not stop.is_set():
            try:
                self._read_on(pauses)
            except (OSError, GarbageError) as trouble:
                self.counters["lost"] += 1
                self.say(SourceState.UNPLUGGED, in_words(trouble))
            stop.wait(pauses.next_s())

    def _read_on(self, pauses: Pauses) -> None:
        """Returns when stopped; raises OSError when the device is gone."""
        conversion = self._calibration.for_counts(self._reader.open())
        while not self.stop.is_set():
            began_ms = self.clock.now_ms()
            raw = self._one()
            if raw is not None:
                samples = conversion.samples(raw)
                if samples:
                    pauses.reset()
                    self._in_a_row = 0
                    self.say(SourceState.READING, f"gives {self._calibration.channel}")
                    self.tell((began_ms + self.clock.now_ms()) // 2, *samples)
                else:
                    self._trouble("out of limits", self._beyond(raw, conversion.electrical))
            took_s = (self.clock.now_ms() - began_ms) / MS_PER_S / self.clock.rate
            self.stop.wait(max(self._period_s - took_s, 0.0))

    def _one(self) -> int | None:
        """One count, None for a trouble that may pass."""
        try:
            return self._reader.read()
        except GarbageError as trouble:
            self._trouble("garbage", str(trouble))
        except OSError as trouble:
            if trouble.errno in GONE:
                raise
            if trouble.errno == errno.EBUSY:
                self._trouble("busy", "another program reads the device through its buffer")
            else:
                self._trouble("read failed", in_words(trouble))
        return None

    def _trouble(self, what: str, reason: str) -> None:
        self.counters[what] += 1
        self._in_a_row += 1
        if self._in_a_row == TROUBLES_IN_A_ROW:  # once: the figure in it is another each time
            self.say(SourceState.SILENT, reason)

    def _beyond(self, raw: int, electrical: Scaling) -> str:
        limits = self._calibration
        measured = f"{raw * electrical.scale + electrical.offset:.4g} {electrical.unit}".rstrip()
        return (
            f"{measured} at the input is outside what {limits.channel} can be "
            f"({limits.least:g} to {limits.most:g} {limits.unit}); check wire and calibration"
        )


def in_words(trouble: Exception) -> str:
    """One line: what went wrong, and where."""
    if isinstance(trouble, OSError) and trouble.strerror:
        return f"{trouble.strerror} ({trouble.filename})" if trouble.filename else trouble.strerror
    return str(trouble)
