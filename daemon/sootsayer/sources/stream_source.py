"""The stream source: a pre-standard serial stream by its definition, for days and unattended.

It asks only what the definition states as data request, one request at a time and only into a
silent line, or listens where the stream comes by itself. Whatever is spoiled is counted. A unit
that has fallen silent is asked ever more seldom, a pulled plug is waited for.
"""

from __future__ import annotations

import threading
import tomllib
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from sootsayer.clock import Deadline, LogClock
from sootsayer.model import (
    Identity,
    Reading,
    SootsayerError,
    SourceEvent,
    SourceState,
    SourceStatus,
)
from sootsayer.protocol.stream_table import Message, StreamTable, stream_from
from sootsayer.protocol.streams import StreamDecoder
from sootsayer.sources.allow import ForbiddenError, StreamPort, Tap, check_stream_request
from sootsayer.sources.key_off import Pauses
from sootsayer.units import MS_PER_S

SOURCE = "stream"
MISSED = "stream reply missed"
BUSY_LINE = "stream request held back, line busy"
LONGEST_BUSY_S = 1.0  # a line that is never silent is listened to, and not spoken into

Emit = Callable[[SourceEvent], None]


@dataclass(frozen=True, slots=True)
class StreamSettings:
    """Reasons stand beside each value in ``stream.toml``. Pauses: the last one repeats."""

    reconnect_pauses_s: tuple[float, ...]
    missed_replies: int
    silence_s: float
    key_off_pauses_s: tuple[float, ...]
    counters_s: float


@cache
def stream_settings() -> StreamSettings:
    """The shipped settings."""
    text = files("sootsayer_config").joinpath("stream.toml").read_text(encoding="utf-8")
    values: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value
        for key, value in tomllib.loads(text).items()
    }
    return StreamSettings(**values)


def load_stream(path: Path) -> StreamTable:
    """Read a definition. Raises SootsayerError naming file, message, row, value and reason."""
    where = f"stream file {path}"
    try:
        stated = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as trouble:
        raise SootsayerError(f"{where}: cannot be read ({trouble.strerror})") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as trouble:
        raise SootsayerError(f"{where}: not valid TOML: {trouble}") from None
    table = stream_from(stated, where)
    for request in table.requests:
        try:
            check_stream_request(request)
        except ForbiddenError as refusal:
            raise SootsayerError(f"{where}: {refusal}") from None
    return table


class _StoppedError(Exception):
    """We were asked to stop."""


class StreamSource:
    """``port``: a device or a URL of pyserial. ``tap`` sees everything sent and received."""

    def __init__(
        self,
        port: str,
        table: StreamTable,
        clock: LogClock,
        settings: StreamSettings | None = None,
        tap: Tap | None = None,
    ) -> None:
        self._port = port
        self._table = table
        self._clock = clock
        self._settings = settings or stream_settings()
        self._tap = tap
        self._decoder = StreamDecoder(table)
        self._emit: Emit = lambda event: None
        self._stop = threading.Event()
        self._status: tuple[SourceState, str] | None = None
        self._told_ms = 0
        self._heard = False  # a frame, since the start
        self._key_off = Pauses(self._settings.key_off_pauses_s)

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Emit events until ``stop`` is set. Troubles of port and car never raise."""
        self._emit, self._stop = emit, stop
        pauses = Pauses(self._settings.reconnect_pauses_s)
        self._say(SourceState.CONNECTING, f"opening {self._port}")
        while not stop.is_set():
            try:
                table = self._table
                with closing(StreamPort(self._port, table.baud, table.requests, self._tap)) as port:
                    pauses.reset()
                    self._say(SourceState.CONNECTING, f"{self._port} is open, listening")
                    self._ask(port) if table.requests else self._listen(port)
            except _StoppedError:
                return
            except (OSError, ValueError) as trouble:
                self._say(SourceState.UNPLUGGED, f"{self._port} cannot be used: {trouble}")
            stop.wait(pauses.next_s())

    # ------------------------------------------------------------ listening

    def _listen(self, port: StreamPort) -> None:
        """A stream that comes by itself; nothing is ever sent."""
        silence = Deadline(self._settings.silence_s)
        while True:
            if self._take(port):
                silence = Deadline(self._settings.silence_s)
            elif silence.passed():
                self._no_answer("nothing comes")
            self._count_now_and_then()

    def _take(self, port: StreamPort) -> list[Reading]:
        """Read what is there, waiting a moment for it, and tell what it holds."""
        arrived = port.read()
        if self._stop.is_set():
            raise _StoppedError
        readings = self._decoder.feed(self._clock.now_ms(), arrived)
        self._tell_readings(readings)
        return readings

    def _tell_readings(self, readings: list[Reading]) -> None:
        if readings and not self._heard:
            self._heard = True
            self._emit(Identity(readings[0].t_ms, self._table.unit, "stream", self._table.name))
        if readings:
            self._say(SourceState.READING, self._table.name)
        for reading in readings:
            self._emit(reading)

    # ------------------------------------------------------------ asking

    def _ask(self, port: StreamPort) -> None:
        """Ask each message in its period; pause ever longer while nobody replies."""
        asked = [message for message in self._table.messages if message.request]
        due_ms = {message.name: self._clock.now_ms() for message in asked}
        missed = 0
        while True:
            message = min(asked, key=lambda one: due_ms[one.name])
            self._wait_until(port, due_ms[message.name])
            due_ms[message.name] = self._next_due(due_ms[message.name], message.period_s)
            if self._one_exchange(port, message):
                missed = 0
                self._key_off.reset()
            else:
                missed += 1
                self._decoder.counters[MISSED] += 1
            if missed >= self._settings.missed_replies:
                self._no_answer("the control unit does not reply")
                self._wait_until(
                    port, self._clock.now_ms() + self._in_log_ms(self._key_off.next_s())
                )
            self._count_now_and_then()

    def _one_exchange(self, port: StreamPort, message: Message) -> bool:
        """Whether this message came within the time for a reply; others may come meanwhile."""
        before = self._decoder.heard[message.name]
        if self._until_silent(port):
            port.send(message.request)
            self._decoder.sent(message.request)
            reply = Deadline(self._table.reply_ms / MS_PER_S)
            while not reply.passed() and self._decoder.heard[message.name] == before:
                self._take(port)
        else:
            self._decoder.counters[BUSY_LINE] += 1
        if self._decoder.heard[message.name] == before:
            self._tell_readings(self._decoder.pause())
        return self._decoder.heard[message.name] > before

    def _until_silent(self, port: StreamPort) -> bool:
        """Wait for a pause in which to ask; False when the line never became silent."""
        patience = Deadline(LONGEST_BUSY_S)
        quiet = Deadline(self._table.idle_ms / MS_PER_S)
        while not quiet.passed():
            if patience.passed():
                return False
            arrived = port.read(wait=False)
            if arrived:
                self._tell_readings(self._decoder.feed(self._clock.now_ms(), arrived))
                quiet = Deadline(self._table.idle_ms / MS_PER_S)
            elif self._stop.wait(min(quiet.left_s(), 0.005)):
                raise _StoppedError
        return True

    def _next_due(self, due_ms: int, period_s: float) -> int:
        """In its period; a late one is not caught up with."""
        return max(due_ms + self._in_log_ms(period_s), self._clock.now_ms())

    def _in_log_ms(self, seconds: float) -> int:
        return int(seconds * MS_PER_S * self._clock.rate)

    def _wait_until(self, port: StreamPort, t_ms: int) -> None:
        """Wait for a log time, reading what comes meanwhile."""
        while self._clock.now_ms() < t_ms:
            self._take(port)

    # ------------------------------------------------------------ telling

    def _no_answer(self, what: str) -> None:
        if self._heard:
            self._say(SourceState.KEY_OFF, f"{what} any more; the key is off")
        else:
            self._say(
                SourceState.SILENT,
                f"{what} on {self._port} at {self._table.baud} baud; is the key on, and is it "
                "the right wire?",
            )

    def _say(self, state: SourceState, reason: str) -> None:
        """Tell a change of state, once."""
        if self._status != (state, reason):
            self._status = (state, reason)
            self._tell(state, reason)

    def _tell(self, state: SourceState, reason: str) -> None:
        self._told_ms = self._clock.now_ms()
        counters = {name: count for name, count in self._decoder.counters.items() if count}
        self._emit(SourceStatus(self._told_ms, SOURCE, state, reason, counters))

    def _count_now_and_then(self) -> None:
        if self._clock.now_ms() - self._told_ms >= self._settings.counters_s * MS_PER_S:
            state, reason = self._status or (SourceState.CONNECTING, "")
            self._tell(state, reason)
