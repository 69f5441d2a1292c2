"""What the interface says of the bus and of itself: conditions, not crashes. Pure.

Error frames as the Linux kernel writes them (``linux/can/error.h``); numbers of refused sends as
in ``errno``.
"""

from __future__ import annotations

import errno
from collections import Counter
from enum import StrEnum


class Condition(StrEnum):
    """The worst first; the text is for a person."""

    GONE = "the interface is gone; is it unplugged?"
    DOWN = "the interface is down; bring it up"
    BUS_OFF = "bus-off: the interface gave up after too many errors; wrong bit rate or wiring?"
    QUEUE_FULL = "the send queue is full: no node acknowledges"
    UNHEARD = "no node acknowledges what is sent"
    PASSIVE = "error-passive: many errors on the bus; wiring, termination or bit rate?"
    ACTIVE = "no trouble"

    @property
    def stops_sending(self) -> bool:
        """Nothing may be sent until it is over."""
        return self not in (Condition.ACTIVE, Condition.PASSIVE)


class BusError(Exception):
    """The interface refused to send or to be read."""

    def __init__(self, condition: Condition, words: str) -> None:
        super().__init__(words)
        self.condition = condition


_BY_NUMBER = {
    errno.ENODEV: Condition.GONE,
    errno.ENXIO: Condition.GONE,
    errno.EBADF: Condition.GONE,
    errno.ENETDOWN: Condition.DOWN,
    errno.ENETUNREACH: Condition.DOWN,
    errno.ENOBUFS: Condition.QUEUE_FULL,
    errno.EAGAIN: Condition.QUEUE_FULL,
}
_FULL_WORDS = ("buffer full", "queue full", "could not send message to one or more")


def condition_of(number: int | None, words: str) -> Condition:
    """What a refusal with this error number, or else these words, means."""
    if number in _BY_NUMBER:
        return _BY_NUMBER[number]
    lower = words.lower()
    if any(text in lower for text in _FULL_WORDS):
        return Condition.QUEUE_FULL
    return Condition.GONE


# classes of error frames, bits of the address
_CONTROLLER, _ACK, _BUS_OFF, _RESTARTED = 0x004, 0x020, 0x040, 0x100
# second byte of the controller class
_RX_OVERFLOW, _TX_OVERFLOW, _PASSIVE, _BACK = 0x01, 0x02, 0x30, 0x40
UNHEARD_AFTER = 16  # a controller alone on the bus repeats one frame over and over


class BusHealth:
    """Follows error frames. ``condition`` is the present one, ``counters`` tell how often."""

    def __init__(self, counters: Counter[str]) -> None:
        self.condition = Condition.ACTIVE
        self._counters = counters
        self._unheard = 0

    def error_frame(self, kind: int, content: bytes) -> None:
        self._counters["error frame"] += 1
        detail = content[1] if len(content) > 1 else 0
        if kind & _RESTARTED:
            self.over()
        if kind & _CONTROLLER:
            self._controller(detail)
        if kind & _ACK:
            self._unheard += 1
            if self._unheard >= UNHEARD_AFTER:
                self._enter(Condition.UNHEARD)
        if kind & _BUS_OFF:
            self._enter(Condition.BUS_OFF)

    def _controller(self, detail: int) -> None:
        if detail & _RX_OVERFLOW:
            self._counters["frames lost by the interface"] += 1
        if detail & _TX_OVERFLOW:
            self._enter(Condition.QUEUE_FULL)
        if detail & _PASSIVE:
            self._enter(Condition.PASSIVE)
        if detail & _BACK and self.condition is Condition.PASSIVE:
            self.condition = Condition.ACTIVE

    def refused(self, error: BusError) -> None:
        self._enter(error.condition)

    def over(self) -> None:
        """The trouble is over, or the interface was opened afresh."""
        self.condition = Condition.ACTIVE
        self._unheard = 0

    def heard(self) -> None:
        """Somebody answered what we sent."""
        self._unheard = 0
        if self.condition is Condition.UNHEARD:
            self.condition = Condition.ACTIVE

    def _enter(self, condition: Condition) -> None:
        order = list(Condition)
        if condition is not self.condition:
            self._counters[condition.name.lower().replace("_", " ")] += 1
        if order.index(condition) < order.index(self.condition):
            self.condition = condition
