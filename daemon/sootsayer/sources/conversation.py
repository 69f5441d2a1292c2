"""Asking an adapter and waiting for its prompt: the thin shell around the dialogue.

Waits for the adapter run on boot time; stamps come from the log clock.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Generator
from dataclasses import dataclass
from typing import Protocol, TypeVar

from sootsayer.clock import Deadline, LogClock
from sootsayer.protocol.dialogue import Command
from sootsayer.protocol.exchange import Exchange, Reply
from sootsayer.protocol.remarks import LOST_SETTINGS, Remark, names_adapter, read_line
from sootsayer.units import MS_PER_S

Found = TypeVar("Found")

SETTLE_S = 0.3  # silence after which nothing more of an old answer is expected
RESYNC_TRIES = 3
RESYNC_WAIT_S = 2.0
UNASKED = "byte nobody asked for"
EMPTY = "prompt without a reply"
UNASKED_KEPT_BYTES = 200  # a version line may arrive in pieces
NAMING = frozenset({"ATZ", "ATWS", "ATI", "AT@1"})  # commands that an adapter answers with its name
WAIT_STEP_S = 0.5  # longest sleep between two looks at stop and port


class Port(Protocol):
    def send(self, line: str) -> None: ...

    def read(self, *, wait: bool = True) -> bytes: ...


class AdapterSilentError(OSError):
    """The adapter gave no prompt any more, even after being stopped."""


class SettingsLostError(Exception):
    """The adapter restarted: everything has to be set again."""


class StoppedError(Exception):
    """We were asked to stop."""


@dataclass(frozen=True, slots=True)
class Answer:
    """A reply and the log time it belongs to: halfway between request and first byte."""

    t_ms: int
    reply: Reply


class Conversation:
    """One open port. Not for several threads.

    Every method raises OSError when the port is gone, AdapterSilentError when the adapter is,
    SettingsLostError when it restarted and StoppedError when ``stop`` is set.
    """

    def __init__(
        self, port: Port, clock: LogClock, stop: threading.Event, counters: Counter[str]
    ) -> None:
        self.counters = counters
        self._port = port
        self._clock = clock
        self._stop = stop
        self._unasked = b""

    def wake(self) -> bool:
        """Bring an adapter that may be busy, or not be there, to its prompt. Whether it came.

        Sends a bare carriage return, which stops a busy adapter.
        """
        self._port.send("")
        return self._drain(Deadline(RESYNC_WAIT_S))

    def drive(self, steps: Generator[Command, Reply, Found]) -> Found:
        """Run a part of the dialogue to its end."""
        try:
            command = next(steps)
            while True:
                command = steps.send(self.ask(command).reply)
        except StopIteration as end:
            found: Found = end.value
            return found

    def ask(self, command: Command) -> Answer:
        """Send one line and wait for the prompt; without one, bring the adapter back to it."""
        self._look_at_unasked()
        exchange = Exchange(command.text, command.kind)
        sent_ms = self._clock.now_ms()
        self._port.send(command.text)
        first_ms, reply = self._await(exchange, Deadline(command.wait_s))
        self.counters.update(reply.faults)
        self.counters.update(
            {str(remark): 1 for remark in reply.remarks if remark is not Remark.OK}
        )
        if not reply.complete:
            self._resync()
        if reply.has(LOST_SETTINGS) or _names_itself(command, reply):
            raise SettingsLostError
        if reply.complete:
            self._unasked = b""
        return Answer((sent_ms + first_ms) // 2, reply)

    def wait_until(self, t_ms: int) -> None:
        """Wait for a log time, watching for stop, for the plug and for an adapter that restarts."""
        while (left_ms := t_ms - self._clock.now_ms()) > 0:
            if self._stop.wait(min(left_ms / MS_PER_S / self._clock.rate, WAIT_STEP_S)):
                raise StoppedError
            self._look_at_unasked()

    # ------------------------------------------------------------ bytes

    def _await(self, exchange: Exchange, deadline: Deadline) -> tuple[int, Reply]:
        first_ms: int | None = None
        while not deadline.passed():
            arrived = self._port.read()
            if self._stop.is_set():
                raise StoppedError
            if not arrived:
                continue
            if first_ms is None:
                first_ms = self._clock.now_ms()
            reply = exchange.feed(arrived)
            if reply is not None:
                self._note_unasked(exchange.rest)
                return first_ms, reply
        return first_ms or self._clock.now_ms(), exchange.time_out()

    def _resync(self) -> None:
        for _ in range(RESYNC_TRIES):
            if self.wake():
                return
        raise AdapterSilentError("the adapter stopped answering")

    def _drain(self, deadline: Deadline) -> bool:
        """Read until the adapter has been quiet for a while; whether the last byte was a prompt."""
        prompted = False
        quiet = Deadline(SETTLE_S)
        while not deadline.passed() and not (prompted and quiet.passed()):
            if self._stop.is_set():
                raise StoppedError
            arrived = self._port.read().rstrip(b"\r\n \0")
            if arrived:
                prompted = arrived.endswith(b">")
                quiet = Deadline(SETTLE_S)
        return prompted

    def _look_at_unasked(self) -> None:
        arrived = self._port.read(wait=False)
        if arrived.strip(b"\r\n >\0"):
            self._note_unasked(arrived)

    def _note_unasked(self, arrived: bytes) -> None:
        """What comes without a request is never a reading, but may say the adapter restarted."""
        if not arrived:
            return
        self.counters[UNASKED] += len(arrived)
        self._unasked = (self._unasked + arrived)[-UNASKED_KEPT_BYTES:]
        for line in self._unasked.decode("ascii", "replace").replace(">", "\r").split("\r"):
            if names_adapter(line) or not LOST_SETTINGS.isdisjoint(read_line(line).remarks):
                raise SettingsLostError


def _names_itself(command: Command, reply: Reply) -> bool:
    """Whether an adapter setting was answered by the line an adapter prints when it starts."""
    if not command.text.startswith("AT") or command.text in NAMING:
        return False
    return any(names_adapter(text) for text in reply.texts)
