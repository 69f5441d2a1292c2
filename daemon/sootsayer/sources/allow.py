"""The lowest layer: what may reach a wire. Everything else raises before a byte is written.

The car is read only. Adapter settings come from a fixed list; requests are those of services
01, 02, 03, 06, 07, 09 and 0A with well-formed arguments. Clearing codes (04), tests and control
(05, 08), programming, raw frames, foreign headers and monitoring cannot be sent: not because
nobody asks for them, but because this module holds the port and lets nothing else through.
No other module of the recorder opens a serial port.

A pre-standard stream has one kind of request more: the data request that its definition states,
in the one form in which the mode byte can be seen to mean "send data".
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection

import serial

# Settings and questions to the adapter that concern its own output, its own timing or the search
# for the link. Absent on purpose: headers and flow control of one's own (SH, FC SD, CP, CAF0),
# raw frames (RTR, AMC), monitoring (MA, MR, MT), stored parameters (PP), other baud rates (BRD),
# slow starts by hand (SI, FI), keep-alive other than off (SW), standby (LP).
_ADAPTER = re.compile(
    r"AT(?:Z|WS|D|I|@1|E0|L0|S0|H1|AT[0-2]|CAF1|CFC1|SW00|SP0|SPA?[1-9]|DPN?|PC|RV|IGN"
    r"|ST[0-9A-F]{2})"
)
_BYTE = r"[0-9A-F]{2}"
_REQUEST = re.compile(
    rf"(?:01(?:{_BYTE}){{1,6}}"  # current data, one to six PIDs
    rf"|02(?:{_BYTE}{_BYTE}){{1,3}}"  # freeze frame, pairs of PID and frame
    rf"|03|07|0A"  # codes: confirmed, pending, permanent
    rf"|06(?:{_BYTE}){{1,6}}"  # results of monitors
    rf"|09{_BYTE})"  # words of the vehicle
    r"[1-9]?"  # how many lines to wait for
)
_END = b"\r"
PROMPT = b">"

# A stream's data request: id, length, mode, table number, checksum, and nothing else. Mode 1 sends
# a table of data; the others silence, read memory, actuate or clear. No line is ever initialised
# (no slow address, no wake-up pulse), so a unit that must be woken hears none of it.
STREAM_READ_MODES = frozenset({0x01})
STREAM_MODE_AT = 2
STREAM_REQUEST_BYTES = 5


class ForbiddenError(Exception):
    """Somebody in this program tried to send what may not be sent."""


def is_setting(line: str) -> bool:
    """Whether a line speaks to the adapter only."""
    return _ADAPTER.fullmatch(line) is not None


def is_request(line: str) -> bool:
    """Whether a line is a request to the car that may be sent."""
    return _REQUEST.fullmatch(line) is not None


def check(written: bytes) -> str:
    """The one line in ``written``, without its end. Raises ForbiddenError for anything else.

    A bare carriage return is let through: it stops a busy adapter, and an idle one repeats what
    was allowed before.
    """
    if written == _END:
        return ""
    if not written.endswith(_END) or not written.isascii():
        raise ForbiddenError(f"{written!r} is not one line and was not sent")
    line = written[:-1].decode("ascii")
    if not (is_setting(line) or is_request(line)):
        raise ForbiddenError(f"{line!r} may not be sent to adapter or car and was not")
    return line


def check_stream_request(request: bytes) -> None:
    """Raises ForbiddenError for anything but a data request of the one allowed form."""
    said = request.hex(" ").upper()
    if len(request) != STREAM_REQUEST_BYTES:
        raise ForbiddenError(
            f"request {said!r} has {len(request)} bytes; only id, length, mode, table number "
            "and checksum may be sent"
        )
    if request[STREAM_MODE_AT] not in STREAM_READ_MODES:
        raise ForbiddenError(
            f"request {said!r} has mode {request[STREAM_MODE_AT]:02X}; only mode 01, which sends "
            "data, may be sent"
        )


READ_WAIT_S = 0.05  # how long a read waits: soon enough to notice that we should stop
WRITE_WAIT_S = 2.0  # a line of twenty characters takes 20 ms at 9600 baud

Tap = Callable[[str, bytes], None]  # "sent" or "received", and the bytes


def _opened(
    url: str, baud: int, may_pass: Callable[[bytes], object]
) -> tuple[Callable[[bytes], None], Callable[[bool], bytes], Callable[[], None]]:
    """Ways to write what ``may_pass`` lets through, to read and to close; the port stays here."""
    port = serial.serial_for_url(
        url, baudrate=baud, timeout=READ_WAIT_S, write_timeout=WRITE_WAIT_S
    )

    def write(written: bytes) -> None:
        may_pass(written)
        port.write(written)

    def read(wait: bool) -> bytes:
        first: bytes = port.read(1) if wait else b""
        waiting = port.in_waiting
        return first + port.read(waiting) if waiting else first

    return write, read, port.close


class ReadOnlyPort:
    """A serial port through which only allowed lines go out.

    A request goes out only after a prompt: a busy adapter swallows the first characters it is
    sent, and what is left of an allowed line could be one that is not.
    Opening, sending and reading raise OSError when the port is missing or gone, and ValueError
    for a port name that cannot be one.
    """

    def __init__(self, url: str, baud: int, tap: Tap | None = None) -> None:
        self._write, self._read, self._close = _opened(url, baud, check)
        self._tap = tap
        self._prompted = False

    def send(self, line: str) -> None:
        """Write one line. The carriage return is added here."""
        if is_request(line) and not self._prompted:
            raise ForbiddenError(f"{line!r} was held back: the adapter gave no prompt")
        self._prompted = False
        written = line.encode("ascii", "replace") + _END
        self._write(written)
        if self._tap is not None:
            self._tap("sent", written)

    def read(self, *, wait: bool = True) -> bytes:
        """What has arrived; b"" when nothing has, or does within a twentieth of a second."""
        arrived = self._read(wait)
        tail = arrived.rstrip(b"\r\n \0")
        if tail:
            self._prompted = tail.endswith(PROMPT)
        if arrived and self._tap is not None:
            self._tap("received", arrived)
        return arrived

    def close(self) -> None:
        self._close()


class StreamPort:
    """A serial port through which only the data requests named at opening go out, if any.

    Opening raises ForbiddenError for a request that is none, and otherwise like `ReadOnlyPort`.
    """

    def __init__(
        self, url: str, baud: int, requests: Collection[bytes], tap: Tap | None = None
    ) -> None:
        allowed = frozenset(requests)
        for request in allowed:
            check_stream_request(request)

        def may_pass(written: bytes) -> None:
            check_stream_request(written)
            if written not in allowed:
                raise ForbiddenError(f"{written!r} is not a request of this stream, not sent")

        self._write, self._read, self._close = _opened(url, baud, may_pass)
        self._tap = tap

    def send(self, request: bytes) -> None:
        self._write(request)
        if self._tap is not None:
            self._tap("sent", request)

    def read(self, *, wait: bool = True) -> bytes:
        """What has arrived; b"" when nothing has, or does within a twentieth of a second."""
        arrived = self._read(wait)
        if arrived and self._tap is not None:
            self._tap("received", arrived)
        return arrived

    def close(self) -> None:
        self._close()
