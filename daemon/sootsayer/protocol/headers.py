"""Lines of digits with headers on become frames: who sent it, and what it carries.

Every kind of link has its own header and check byte (protocols: ISO 15765-4, SAE J1850,
ISO 9141-2, ISO 14230-4). Frames from anybody but a control unit that answers a tester are foreign.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType


class LinkKind(StrEnum):
    CAN_11 = "CAN, 11-bit addresses"
    CAN_29 = "CAN, 29-bit addresses"
    J1850 = "J1850"
    ISO_9141 = "ISO 9141"
    KWP = "ISO 14230"

    @property
    def is_can(self) -> bool:
        return self in (LinkKind.CAN_11, LinkKind.CAN_29)


# The adapter's protocol numbers. A is J1939, which this dialogue does not speak.
KINDS: Mapping[str, LinkKind] = MappingProxyType(
    {
        "1": LinkKind.J1850,
        "2": LinkKind.J1850,
        "3": LinkKind.ISO_9141,
        "4": LinkKind.KWP,
        "5": LinkKind.KWP,
        "6": LinkKind.CAN_11,
        "7": LinkKind.CAN_29,
        "8": LinkKind.CAN_11,
        "9": LinkKind.CAN_29,
    }
)


class LineFault(StrEnum):
    NOT_DIGITS = "line that is no reply"
    CUT = "line cut short"
    CHECKSUM = "wrong check byte"
    FOREIGN = "line of a foreign sender"


@dataclass(frozen=True, slots=True)
class Frame:
    """One line: the sender's address as text and the bytes, on CAN with the length byte."""

    unit: str
    body: bytes


_DIGITS = re.compile(r"[0-9A-F]+\Z")
_CAN_11 = re.compile(r"7E[8-F]")
_CAN_29 = re.compile(r"18DAF1[0-9A-F]{2}")


def crc_j1850(body: bytes) -> int:
    """CRC-8 of SAE J1850: polynomial 1D, start FF, inverted."""
    crc = 0xFF
    for byte in body:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D) & 0xFF if crc & 0x80 else crc << 1
    return crc ^ 0xFF


def sum_check(body: bytes) -> int:
    """Check byte of ISO 9141-2 and ISO 14230: the sum of all bytes before it."""
    return sum(body) & 0xFF


def _can(line: str, width: int, ours: re.Pattern[str]) -> Frame | LineFault:
    address, digits = line[:width], line[width:]
    if len(digits) < 2 or len(digits) % 2:
        return LineFault.CUT
    if not ours.fullmatch(address):
        return LineFault.FOREIGN
    body = bytes.fromhex(digits)
    return Frame(address, body) if len(body) <= 8 else LineFault.NOT_DIGITS


def _older(
    line: str, check: Callable[[bytes], int], ours: Callable[[bytes], bool]
) -> Frame | LineFault:
    if len(line) % 2 or len(line) < 10:
        return LineFault.CUT
    whole = bytes.fromhex(line)
    if check(whole[:-1]) != whole[-1]:
        return LineFault.CHECKSUM
    if not ours(whole):
        return LineFault.FOREIGN
    return Frame(f"{whole[2]:02X}", whole[3:-1])


def _from_j1850_unit(whole: bytes) -> bool:
    return whole[0] in (0x48, 0x41) and whole[1] == 0x6B


def _kwp(line: str) -> Frame | LineFault:
    """Format byte 8L with the length in it, or 80 with a length byte behind the addresses."""
    frame = _older(line, sum_check, lambda whole: whole[0] & 0xC0 == 0x80 and whole[1] == 0xF1)
    if isinstance(frame, LineFault):
        return frame
    length = int(line[:2], 16) & 0x3F
    body = frame.body if length else frame.body[1:]
    if len(body) != (length or frame.body[0]):
        return LineFault.CUT
    return Frame(frame.unit, body)


def frame_of(line: str, kind: LinkKind) -> Frame | LineFault:
    """Read one line, capitals without blanks, as it looks on this kind of link."""
    if not _DIGITS.match(line):
        return LineFault.NOT_DIGITS
    match kind:
        case LinkKind.CAN_11:
            return _can(line, 3, _CAN_11)
        case LinkKind.CAN_29:
            return _can(line, 8, _CAN_29)
        case LinkKind.J1850:
            return _older(line, crc_j1850, _from_j1850_unit)
        case LinkKind.ISO_9141:
            return _older(line, sum_check, _from_j1850_unit)
        case LinkKind.KWP:
            return _kwp(line)


def kind_told_by(protocol: str) -> LinkKind | None:
    """The link behind the adapter's answer to "which protocol": "6", or "A6" when found."""
    text = protocol.strip().upper()
    return KINDS.get(text[-1:]) if len(text) <= 2 else None


def kind_seen_in(line: str) -> LinkKind | None:
    """The link a reply line must have come over, for adapters that do not tell."""
    for kind in LinkKind:
        if isinstance(frame_of(line, kind), Frame):
            return kind
    return None
