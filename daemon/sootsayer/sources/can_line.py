"""The line to the car: frames in their order, own echoes told from traffic, trouble noticed."""

from __future__ import annotations

import threading
from collections import Counter, deque

import can

from sootsayer.clock import LogClock
from sootsayer.sources.can_addresses import functional, is_reply, is_request, request_to
from sootsayer.sources.can_allow import ReadOnlyBus, single_frame
from sootsayer.sources.can_health import BusHealth, Condition
from sootsayer.sources.can_opening import wait_readable

ECHOES = 16  # own frames that may still come back


class Line:
    """One open bus. Not for several threads. Everything may raise BusError."""

    def __init__(
        self, bus: ReadOnlyBus, clock: LogClock, stop: threading.Event, counters: Counter[str]
    ) -> None:
        self.health = BusHealth(counters)
        self.counters = counters
        self.foreign_ms: int | None = None  # last frame of neither ours nor an answer
        self._bus = bus
        self._clock = clock
        self._stop = stop
        self._sent: deque[tuple[int, bytes]] = deque(maxlen=ECHOES)

    def ask(self, payload: bytes, extended: bool, to_reply: int | None = None) -> None:
        """Send a request to all control units, or to the one that replies from ``to_reply``."""
        address = functional(extended) if to_reply is None else request_to(to_reply, extended)
        content = single_frame(payload)
        self._sent.append((address, content))
        self._bus.send(address, extended, content)
        self.counters["requests"] += 1

    def next(self) -> can.Message | None:
        """The next frame that may be an answer; what is not is taken note of."""
        while (message := self._bus.receive()) is not None:
            if message.is_error_frame:
                self.health.error_frame(message.arbitration_id, bytes(message.data))
            elif message.is_remote_frame or message.is_fd:
                self.foreign_ms = self._clock.now_ms()
            elif is_reply(message.arbitration_id, message.is_extended_id):
                return message
            else:
                self._note(message)
        return None

    def _note(self, message: can.Message) -> None:
        if is_request(message.arbitration_id, message.is_extended_id):
            if message.data[:1] and message.data[0] >> 4 == 3:  # flow control, ours or another's
                return
            seen = (message.arbitration_id, bytes(message.data))
            if seen in self._sent:  # some interfaces give us our own frames
                self._sent.remove(seen)
                return
            self.counters["requests of another tester"] += 1
        self.foreign_ms = self._clock.now_ms()

    def wait(self, seconds: float) -> None:
        """Until a frame may be there or the time is over."""
        wait_readable(self._bus, self._stop, seconds)

    @property
    def trouble(self) -> Condition | None:
        """What forbids sending at present."""
        condition = self.health.condition
        return condition if condition.stops_sending else None
