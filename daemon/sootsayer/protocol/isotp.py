"""ISO 15765-2 reassembly without I/O: frames of a message in, the whole message out.

Frames of several control units may be interleaved; each sender has its own state. Whatever is
wrong is counted and the message given up, nothing raises. Flow control is somebody else's: the
adapter sends it, a capture already contains it.
"""

from __future__ import annotations

from collections import Counter
from enum import StrEnum

MAX_LENGTH = 4095  # what a first frame without escape can announce
MIN_LENGTH = 8  # shorter messages fit a single frame
MAX_SENDERS = 64  # far above the control units of a car; bounds memory against noise
MAX_WAIT_MS = 1000  # between frames of one message, N_Cr of ISO 15765-2


class Fault(StrEnum):
    EMPTY_FRAME = "empty frame"
    BAD_LENGTH = "wrong length in a frame"
    BAD_SEQUENCE = "wrong frame order"
    UNEXPECTED = "frame without a beginning"
    INTERRUPTED = "message interrupted by the next"
    UNKNOWN_FRAME = "unknown kind of frame"
    TOO_MANY_SENDERS = "too many senders"
    TOO_LATE = "frame too long after the one before"


class _Partial:
    """A message of which the first frame has come."""

    __slots__ = ("body", "length", "sequence", "t_ms")

    def __init__(self, length: int, body: bytes, t_ms: int) -> None:
        self.length = length
        self.t_ms = t_ms
        self.body = bytearray(body)
        self.sequence = 1


class Reassembler:
    """Messages of up to 4095 bytes from frames of up to 8 bytes, sender by sender."""

    def __init__(self) -> None:
        self._partials: dict[str, _Partial] = {}
        self.faults: Counter[Fault] = Counter()

    def feed(self, sender: str, frame: bytes, t_ms: int = 0) -> bytes | None:
        """One frame from one sender. The whole message once it is complete, else None.

        Stamps, where there are any, let a message that was cut off not swallow a later one.
        """
        if not frame:
            return self._fault(Fault.EMPTY_FRAME)
        kind = frame[0] >> 4
        if kind == 0:
            return self._single(sender, frame)
        if kind == 2:
            return self._consecutive(sender, frame, t_ms)
        if kind == 1:
            return self._first(sender, frame, t_ms)
        if kind == 3:  # flow control, meant for the other side
            return None
        return self._fault(Fault.UNKNOWN_FRAME)

    def pending(self, sender: str) -> bool:
        """Whether a message of this sender is under way."""
        return sender in self._partials

    def abandon(self) -> None:
        """Forget all that is under way: the conversation has moved on."""
        self.faults[Fault.INTERRUPTED] += len(self._partials)
        self._partials.clear()

    def _fault(self, fault: Fault) -> bytes | None:
        self.faults[fault] += 1
        return None

    def _give_up(self, sender: str, fault: Fault) -> None:
        if self._partials.pop(sender, None) is not None:
            self._fault(fault)

    def _single(self, sender: str, frame: bytes) -> bytes | None:
        length = frame[0]
        if not 0 < length < len(frame):
            return self._fault(Fault.BAD_LENGTH)
        self._give_up(sender, Fault.INTERRUPTED)
        return frame[1 : 1 + length]

    def _first(self, sender: str, frame: bytes, t_ms: int) -> bytes | None:
        length = (frame[0] & 15) << 8 | frame[1] if len(frame) == 8 else 0
        if length < MIN_LENGTH:
            return self._fault(Fault.BAD_LENGTH)
        self._give_up(sender, Fault.INTERRUPTED)
        if len(self._partials) >= MAX_SENDERS:
            return self._fault(Fault.TOO_MANY_SENDERS)
        self._partials[sender] = _Partial(length, frame[2:], t_ms)
        return None

    def _consecutive(self, sender: str, frame: bytes, t_ms: int) -> bytes | None:
        partial = self._partials.get(sender)
        if partial is None:
            return self._fault(Fault.UNEXPECTED)
        if t_ms - partial.t_ms > MAX_WAIT_MS:
            self._give_up(sender, Fault.TOO_LATE)
            return None
        partial.t_ms = t_ms
        if frame[0] & 15 != partial.sequence:
            self._give_up(sender, Fault.BAD_SEQUENCE)
            return None
        missing = partial.length - len(partial.body)
        if len(frame) - 1 < min(missing, 7):
            self._give_up(sender, Fault.BAD_LENGTH)
            return None
        partial.body += frame[1 : 1 + missing]
        partial.sequence = (partial.sequence + 1) & 15
        if len(partial.body) < partial.length:
            return None
        del self._partials[sender]
        return bytes(partial.body)
