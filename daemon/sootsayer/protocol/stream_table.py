"""The definition of a pre-standard serial stream: read from TOML, checked to the last row.

Such a stream has no public standard: where a byte lies and what it means is always what a person
copied from a service manual. So everything that can be checked is checked here, before the first
byte is heard, and an error names file, message, row and reason. How to write a definition is told
in ``config/sootsayer_config/streams/example.toml``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from sootsayer.model import Sample
from sootsayer.protocol.calibration import Calibration, Conversion, calibration_from
from sootsayer.protocol.j1979 import scaling_of
from sootsayer.toml_table import Table

MOST_BYTES = 255  # of one frame; a length byte tells no more
MOST_MESSAGES = 16  # of one stream: what a manual lists, not what could be
CHARACTERS_A_CELL = 10  # pulses are sampled by a serial port ten times as fast as they come
_NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")


class FrameKind(StrEnum):
    COUNTED = "counted"  # id, length, mode, data, checksum
    FIXED = "fixed"  # id, data, checksum; always of one length
    PULSES = "pulses"  # nine ones, then words of a start bit and eight bits: pulse widths


class Checksum(StrEnum):
    """One byte at the end of a frame, over all bytes before it."""

    ZERO_SUM = "zero-sum"  # makes the sum of all bytes nought
    SUM = "sum"
    XOR = "xor"
    NONE = "none"


def check_byte(kind: Checksum, body: bytes) -> bytes:
    """What follows ``body``; b"" where there is no checksum."""
    if kind is Checksum.NONE:
        return b""
    if kind is Checksum.XOR:
        folded = 0
        for byte in body:
            folded ^= byte
        return bytes((folded,))
    total = sum(body) & 0xFF
    return bytes((total if kind is Checksum.SUM else -total & 0xFF,))


@dataclass(frozen=True, slots=True)
class Row:
    """Where one channel lies in a message's data, and how its count becomes a reading."""

    name: str
    at: int
    width: int
    little: bool
    mask: int
    shift: int
    signed: bool
    conversion: Conversion

    @property
    def channel(self) -> str:
        return self.conversion.calibration.channel

    def raw(self, body: bytes) -> int:
        word = int.from_bytes(
            body[self.at : self.at + self.width], "little" if self.little else "big"
        )
        count = (word & self.mask) >> self.shift
        bits = (self.mask >> self.shift).bit_length()
        if self.signed and count >> (bits - 1):
            count -= 1 << bits
        return count

    def samples(self, body: bytes) -> tuple[Sample, ...]:
        """Nothing when the reading is not believable."""
        return self.conversion.samples(self.raw(body))


@dataclass(frozen=True, slots=True)
class Message:
    """One kind of frame. ``head``: what it begins with, up to its first data byte.

    ``request``: whole frame that asks for it, b"" for one that comes by itself.
    """

    name: str
    head: bytes
    data_bytes: int
    request: bytes
    period_s: float
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class StreamTable:
    """One stream. ``unit``: what stands for the control unit's address beside readings."""

    name: str
    unit: str
    kind: FrameKind
    baud: int
    echo: bool
    gap_ms: int
    idle_ms: int
    reply_ms: int
    checksum: Checksum
    messages: tuple[Message, ...]

    def size(self, message: Message) -> int:
        """Bytes of a whole frame."""
        return len(message.head) + message.data_bytes + (self.checksum is not Checksum.NONE)

    @property
    def requests(self) -> tuple[bytes, ...]:
        return tuple(message.request for message in self.messages if message.request)

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(row.channel for message in self.messages for row in message.rows)


# ---------------------------------------------------------------- reading a definition


@dataclass(frozen=True, slots=True)
class _Frame:
    """The section [frame]: what all frames of the stream share."""

    kind: FrameKind
    checksum: Checksum
    length_base: int
    mode: int


def stream_from(stated: Mapping[str, Any], where: str) -> StreamTable:
    """Check a parsed definition. Raises SootsayerError that begins with ``where``."""
    top = Table(stated, where)
    name = top.text("name")
    line, frame = top.table("line"), _frame(top.table("frame"))
    baud = _baud(line, frame.kind)
    items = top.items("message")
    top.end()
    if len(items) > MOST_MESSAGES or (frame.kind is FrameKind.PULSES and len(items) > 1):
        most = 1 if frame.kind is FrameKind.PULSES else MOST_MESSAGES
        raise top.wrong(f"{len(items)} messages are given; at most {most} can be")
    messages = tuple(
        _message(Table(item, f"{where}, message {number}"), frame)
        for number, item in enumerate(items, start=1)
    )
    _check_apart(top, messages)
    table = StreamTable(
        name=name,
        unit=messages[0].head[:1].hex().upper() or "stream",
        kind=frame.kind,
        baud=baud,
        echo=line.yes("echo", False),
        gap_ms=line.whole("gap_ms", 1, 5000, 40),
        idle_ms=line.whole("idle_ms", 0, 1000, 10),
        reply_ms=line.whole("reply_ms", 10, 5000, 200),
        checksum=frame.checksum,
        messages=messages,
    )
    line.end()
    return table


def _baud(line: Table, kind: FrameKind) -> int:
    if kind is FrameKind.PULSES:
        return line.whole("bit_rate", 10, 2000) * CHARACTERS_A_CELL
    return line.whole("baud", 50, 500_000)


def _frame(table: Table) -> _Frame:
    kind = FrameKind(table.choice("kind", tuple(FrameKind)))
    fallback = str(Checksum.NONE) if kind is FrameKind.PULSES else None
    checksum = Checksum(table.choice("checksum", tuple(Checksum), fallback))
    if checksum is Checksum.NONE and kind is not FrameKind.PULSES:
        raise table.wrong(
            f"checksum = 'none' with kind = {str(kind)!r}: such frames cannot be told from "
            "noise; state zero-sum, sum or xor"
        )
    counted = kind is FrameKind.COUNTED
    base = table.whole("length_base", 0, 0xFF) if counted else 0
    mode = table.whole("mode", 0, 0xFF) if counted else 0
    table.end()
    return _Frame(kind, checksum, base, mode)


def _message(table: Table, frame: _Frame) -> Message:
    data_bytes = table.whole("data_bytes", 1, MOST_BYTES)
    head = _head(table, frame, data_bytes)
    request = table.octets("request", b"")
    if request:
        _check_request(table, frame, request)
    message = Message(
        name=table.text("name"),
        head=head,
        data_bytes=data_bytes,
        request=request,
        period_s=table.number("period_s", 0.02, 3600) if request else 0.0,
        rows=tuple(
            _row(Table(item, f"{table.where}, row {number}"), data_bytes)
            for number, item in enumerate(table.items("row"), start=1)
        ),
    )
    table.end()
    return message


def _head(table: Table, frame: _Frame, data_bytes: int) -> bytes:
    """Everything before the data. Its length is part of it, so a frame of another is none."""
    ident = table.octets("id", b"" if frame.kind is FrameKind.PULSES else None)
    if frame.kind is not FrameKind.COUNTED:
        return ident
    if len(ident) != 1:
        raise table.wrong(f"id has {len(ident)} bytes; a counted frame begins with one")
    length = frame.length_base + 1 + data_bytes  # of what follows the length: mode and data
    if length > 0xFF:
        raise table.wrong(
            f"data_bytes = {data_bytes} gives a length byte of {length}, above 255; "
            "check length_base"
        )
    return bytes((ident[0], length, frame.mode))


def _check_request(table: Table, frame: _Frame, request: bytes) -> None:
    """A request must be one whole frame of the stream's own form, mode and checksum."""
    said = request.hex(" ").upper()
    if frame.kind is not FrameKind.COUNTED:
        raise table.wrong(
            f"request = {said!r}: only counted frames carry a mode that shows that a request "
            "reads; leave it out and listen"
        )
    if len(request) < 4:
        raise table.wrong(f"request = {said!r} is too short for id, length, mode and checksum")
    length = frame.length_base + len(request) - 3
    if request[1] != length:
        raise table.wrong(
            f"request = {said!r}: its length byte is {request[1]:02X}, but {len(request) - 3} "
            f"bytes lie between it and the checksum, which makes {length & 0xFF:02X}"
        )
    if request[2] != frame.mode:
        raise table.wrong(
            f"request = {said!r} has mode {request[2]:02X}, not the stated {frame.mode:02X}"
        )
    due = check_byte(frame.checksum, request[:-1])
    if request[-1:] != due:
        raise table.wrong(
            f"request = {said!r} ends in {request[-1]:02X}, but its checksum is {due[0]:02X}; "
            "look at the manual again"
        )


def _check_apart(top: Table, messages: tuple[Message, ...]) -> None:
    """Frames must be told apart by how they begin, and channels by their names."""
    for number, message in enumerate(messages):
        for other in messages[:number]:
            shorter = min(len(message.head), len(other.head))
            if message.head[:shorter] == other.head[:shorter]:
                raise top.wrong(
                    f"messages {other.name!r} and {message.name!r} begin alike "
                    f"({message.head[:shorter].hex(' ').upper()}), so that one could be taken "
                    "for the other; keep one"
                )
    seen: dict[str, str] = {}
    if len({message.name for message in messages}) < len(messages):
        raise top.wrong("two messages have the same name; names must differ")
    for place, row in _all_rows(messages):
        for name in {row.name, row.channel}:
            if name in seen and seen[name] != place:
                raise top.wrong(f"{place}: {name!r} is also {seen[name]}; names must differ")
            seen[name] = place


def _all_rows(messages: tuple[Message, ...]) -> Iterator[tuple[str, Row]]:
    for number, message in enumerate(messages, start=1):
        for place, row in enumerate(message.rows, start=1):
            yield f"message {number}, row {place}", row


# ---------------------------------------------------------------- one row


def _row(table: Table, data_bytes: int) -> Row:
    name = table.text("name")
    table.where += f" ({name})"
    if not _NAME.fullmatch(name):
        raise table.wrong(f"name = {name!r}; use small letters, digits and _, a letter first")
    at = table.whole("at", 0, MOST_BYTES)
    width = table.whole("width", 1, 4, 1)
    if at + width > data_bytes:
        raise table.wrong(
            f"at = {at} with width = {width} ends after data byte {data_bytes - 1}, the last "
            "(the first is 0); check at, width and data_bytes"
        )
    mask, shift = _mask(table, width)
    row = Row(
        name=name,
        at=at,
        width=width,
        little=table.choice("order", ("big", "little"), "big") == "little",
        mask=mask,
        shift=shift,
        signed=table.yes("signed", False),
        conversion=_calibration(table, name).for_counts(),
    )
    table.end()
    return row


def _mask(table: Table, width: int) -> tuple[int, int]:
    """Without a mask all bits count; without a shift the lowest bit of the mask is number 0."""
    full = (1 << 8 * width) - 1
    mask = table.whole("mask", 1, full, full)
    lowest = (mask & -mask).bit_length() - 1
    shift = table.whole("shift", 0, 8 * width - 1, lowest)
    if not mask >> shift:
        raise table.wrong(f"mask = {mask:#x} with shift = {shift} leaves no bit")
    return mask, shift


def _calibration(table: Table, name: str) -> Calibration:
    """With a role the channel is one that the rules know, in the unit in which they know it."""
    known = _unit_of(name)
    if not table.has("role"):
        if known is not None:
            raise table.wrong(
                f"name = {name!r} is a channel that the rules know; say role = {name!r}, or "
                "choose another name"
            )
        return calibration_from(table, name)
    role = table.text("role")
    unit = _unit_of(role)
    if unit is None:
        raise table.wrong(
            f"role = {role!r} is no channel that the rules know, such as rpm, map, egr_pct, "
            "egr_a_act or ect; leave role out to keep it under its own name"
        )
    if unit and not table.has("unit"):
        raise table.wrong(f"unit is missing; {role} is judged in {unit!r}, write unit = {unit!r}")
    return calibration_from(table, role, unit)


def _unit_of(channel: str) -> str | None:
    try:
        return scaling_of(channel).unit
    except KeyError:
        return None
