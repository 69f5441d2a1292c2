"""The lowest layer on CAN: which frames may reach the bus. Everything else raises before.

The car is read only. Two kinds of frames pass: a request of services 01, 02, 03, 06, 07, 09 or
0A, or one of the reading requests of SAE J1979-2 (22 with F4xx, F6xx, F8xx; 19 with 42, 55, 04,
06, 56), well formed in one frame of eight bytes; and flow control for a long reply. Requests go
to the functional address or to a control unit that was heard before; flow control goes only to
the latter. Clearing (04, 14), control (08, 2F, 31), sessions (10), writing (2E), long requests,
short frames, remote frames and any other address cannot be sent.
No other module of the recorder sends on a CAN bus.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import can

from sootsayer.sources.allow import ForbiddenError
from sootsayer.sources.can_addresses import is_functional, is_reply, is_request, reply_of
from sootsayer.sources.can_health import BusError, condition_of

FRAME_BYTES = 8  # ISO 15765-4: always all eight
PAD = 0x55  # alternating bits need no stuffing

_REQUEST = re.compile(
    rb"\x01.{1,6}"  # current data, one to six PIDs
    rb"|\x02(?:..){1,3}"  # freeze frame, pairs of PID and frame
    rb"|\x03|\x07|\x0a"  # codes: confirmed, pending, permanent
    rb"|\x06.{1,6}"  # results of monitors
    rb"|\x09."  # words of the vehicle
    rb"|\x22(?:[\xf4\xf6\xf8].){1,3}"  # J1979-2: the same by data identifier
    rb"|\x19(?:\x42\x33..|\x55\x33|\x56\x33.|[\x04\x06]....)",  # J1979-2: codes and their data
    re.DOTALL,
)

Tap = Callable[[str, int, bytes], None]  # "sent" or "received", address, the frame's bytes


def is_request_payload(payload: bytes) -> bool:
    """Whether this request may be sent to the car."""
    return _REQUEST.fullmatch(payload) is not None


def _padded(content: bytes, used: int) -> bool:
    return len(content) == FRAME_BYTES and set(content[used:]) <= {PAD}


def is_single_request(content: bytes) -> bool:
    """Whether a frame holds one whole allowed request."""
    used = 1 + content[0] if content else 0
    return (
        2 <= used <= FRAME_BYTES and _padded(content, used) and is_request_payload(content[1:used])
    )


def is_flow_control(content: bytes) -> bool:
    """Whether a frame tells a control unit to go on, wait or stop with its long reply."""
    return len(content) > 2 and content[0] in (0x30, 0x31, 0x32) and _padded(content, 3)


def single_frame(payload: bytes) -> bytes:
    """A request of at most seven bytes as one whole frame."""
    return bytes((len(payload), *payload)).ljust(FRAME_BYTES, bytes((PAD,)))


def check(address: int, extended: bool, content: bytes, heard: frozenset[int]) -> None:
    """Raises ForbiddenError for a frame that may not be sent. ``heard``: reply addresses."""
    if is_request(address, extended):
        if is_functional(address):
            if is_single_request(content):
                return
        elif reply_of(address, extended) in heard and (
            is_single_request(content) or is_flow_control(content)
        ):
            return
    raise ForbiddenError(f"frame {address:X}#{content.hex().upper()} may not be sent and was not")


class ReadOnlyBus:
    """A bus on which only allowed frames go out; on a ``silent`` one none at all.

    `send` and `receive` raise BusError when the interface refuses.
    """

    def __init__(self, bus: can.BusABC, tap: Tap | None = None, *, silent: bool = False) -> None:
        heard: frozenset[int] = frozenset()

        def send(address: int, extended: bool, content: bytes) -> None:
            if silent:
                raise ForbiddenError("this bus is listened to only; nothing was sent")
            check(address, extended, content, heard)
            bus.send(can.Message(arbitration_id=address, is_extended_id=extended, data=content))

        def receive() -> can.Message | None:
            nonlocal heard
            message = bus.recv(0)  # never with a time: python-can counts that on the wall clock
            if message is not None and not message.is_error_frame:
                address = message.arbitration_id
                if address not in heard and is_reply(address, message.is_extended_id):
                    heard |= {address}
            return message

        self._send, self._receive = send, receive
        self._fileno: Callable[[], int] = bus.fileno
        self._shutdown: Callable[[], None] = bus.shutdown
        self._tap = tap

    def send(self, address: int, extended: bool, content: bytes) -> None:
        """Send one whole frame."""
        try:
            self._send(address, extended, content)
        except (can.CanError, OSError) as refusal:
            raise _error(refusal) from refusal
        if self._tap is not None:
            self._tap("sent", address, content)

    def receive(self) -> can.Message | None:
        """The next frame that has arrived, None when none has. Never waits."""
        try:
            message = self._receive()
        except (can.CanError, OSError) as refusal:
            raise _error(refusal) from refusal
        if message is not None and self._tap is not None:
            self._tap("received", message.arbitration_id, bytes(message.data))
        return message

    def fileno(self) -> int:
        """What can be waited on with select, -1 where there is nothing."""
        try:
            return self._fileno()
        except (NotImplementedError, OSError):
            return -1

    def close(self) -> None:
        self._shutdown()


def _error(refusal: Exception) -> BusError:
    number = getattr(refusal, "error_code", None) or getattr(refusal, "errno", None)
    return BusError(condition_of(number, str(refusal)), str(refusal))
