"""SAE J1939-21 transport without I/O: long messages put together by listening alone.

Two forms: broadcast (BAM), and a conversation of two nodes (RTS, CTS, end of message). Packets
carry numbers, so one that is sent again falls into its own place. Whatever is wrong is counted and
the message given up, nothing raises. Nothing is ever sent: a listener answers no request to send.
"""

from __future__ import annotations

from collections import Counter
from enum import StrEnum

CONNECTION_PF, PACKET_PF = 0xEC, 0xEB  # TP.CM 60416 and TP.DT 60160
GLOBAL = 0xFF
RTS, CTS, DONE, BAM, ABORT = 16, 17, 19, 32, 255
LEAST_BYTES, MOST_BYTES = 9, 1785  # what needs and what fits 255 packets of seven bytes
PACKET_BYTES = 7
MAX_OPEN = 64  # messages under way at once; bounds memory against noise
MAX_WAIT_MS = 1250  # T2 and T3 of J1939-21: longer without a packet, and the sender has given up


class TransportFault(StrEnum):
    BAD_LENGTH = "wrong length in a transport frame"
    BAD_NUMBER = "packet number out of range"
    UNEXPECTED = "packet without a beginning"
    INTERRUPTED = "long message interrupted by the next"
    ABORTED = "long message given up by its sender"
    TOO_LATE = "packet too long after the one before"
    INCOMPLETE = "long message with packets missing"
    TOO_MANY = "too many long messages at once"


class _Open:
    """A message of which the beginning has been heard."""

    __slots__ = ("missing", "packets", "pgn", "size", "t_ms")

    def __init__(self, pgn: int, size: int, packets: int, t_ms: int) -> None:
        self.pgn = pgn
        self.size = size
        self.packets: list[bytes] = [b""] * packets
        self.missing = packets
        self.t_ms = t_ms


class Transport:
    """Messages of 9 to 1785 bytes from frames of eight, sender by sender and receiver."""

    def __init__(self) -> None:
        self._open: dict[tuple[int, int], _Open] = {}
        self.faults: Counter[TransportFault] = Counter()

    def control(self, t_ms: int, sender: int, receiver: int, body: bytes) -> None:
        """One TP.CM frame."""
        if len(body) != 8:
            self.faults[TransportFault.BAD_LENGTH] += 1
            return
        kind = body[0]
        if kind in (BAM, RTS):
            self._begin(t_ms, sender, receiver, body)
        elif kind == CTS:  # from the receiver, also to say "hold on"
            self._refresh(t_ms, receiver, sender)
        elif kind == DONE:
            self._give_up(receiver, sender, TransportFault.INCOMPLETE)
        elif kind == ABORT:
            self._give_up(receiver, sender, TransportFault.ABORTED)
            self._give_up(sender, receiver, TransportFault.ABORTED)

    def packet(
        self, t_ms: int, sender: int, receiver: int, body: bytes
    ) -> tuple[int, bytes] | None:
        """One TP.DT frame. PGN and bytes of the message that it completes, else None."""
        message = self._open.get((sender, receiver))
        if message is None:
            self.faults[TransportFault.UNEXPECTED] += 1
            return None
        if t_ms - message.t_ms > MAX_WAIT_MS:
            self._give_up(sender, receiver, TransportFault.TOO_LATE)
            return None
        number = body[0] if body else 0
        if not 1 <= number <= len(message.packets):
            self.faults[TransportFault.BAD_NUMBER] += 1
            return None
        size = min(PACKET_BYTES, message.size - (number - 1) * PACKET_BYTES)
        if len(body) < 1 + size:
            self.faults[TransportFault.BAD_LENGTH] += 1
            return None
        message.t_ms = t_ms
        if not message.packets[number - 1]:
            message.missing -= 1
        message.packets[number - 1] = body[1 : 1 + size]
        if message.missing:
            self._at_the_end(sender, receiver, message, number)
            return None
        del self._open[sender, receiver]
        return message.pgn, b"".join(message.packets)

    def _begin(self, t_ms: int, sender: int, receiver: int, body: bytes) -> None:
        size, packets = int.from_bytes(body[1:3], "little"), body[3]
        fits = LEAST_BYTES <= size <= MOST_BYTES and packets == -(-size // PACKET_BYTES)
        if not fits or (body[0] == BAM) != (receiver == GLOBAL):
            self.faults[TransportFault.BAD_LENGTH] += 1
            return
        self._give_up(sender, receiver, TransportFault.INTERRUPTED)
        if len(self._open) >= MAX_OPEN:
            self._drop_stale(t_ms)
        if len(self._open) >= MAX_OPEN:
            self.faults[TransportFault.TOO_MANY] += 1
            return
        pgn = int.from_bytes(body[5:8], "little")
        self._open[sender, receiver] = _Open(pgn, size, packets, t_ms)

    def _at_the_end(self, sender: int, receiver: int, message: _Open, number: int) -> None:
        """A broadcast is never repeated: its last packet with others missing ends it."""
        if receiver == GLOBAL and number == len(message.packets):
            self._give_up(sender, receiver, TransportFault.INCOMPLETE)

    def _refresh(self, t_ms: int, sender: int, receiver: int) -> None:
        message = self._open.get((sender, receiver))
        if message is not None:
            message.t_ms = t_ms

    def _give_up(self, sender: int, receiver: int, fault: TransportFault) -> None:
        if self._open.pop((sender, receiver), None) is not None:
            self.faults[fault] += 1

    def _drop_stale(self, t_ms: int) -> None:
        for key, message in list(self._open.items()):
            if t_ms - message.t_ms > MAX_WAIT_MS:
                self._give_up(*key, TransportFault.TOO_LATE)
