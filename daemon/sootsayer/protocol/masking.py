"""The vehicle's number taken out of what an adapter printed, so that a transcript can be sent.

Its bytes become "X" and check bytes are made to fit again, so that the transcript still replays.
"""

from __future__ import annotations

import re

from sootsayer.protocol.headers import LinkKind, crc_j1850, kind_seen_in, sum_check

ASKS_NUMBER = "0902"
REPLY = b"\x49\x02"
_PIECE = re.compile(r"([0-9A-F]):([0-9A-F]*)\Z")
_DIGITS = re.compile(r"[0-9A-F]+")
_SHORT = 8  # digits; fewer hold nothing of the number, and remarks may begin like digits
_CAPITALS = str.maketrans("abcdef", "ABCDEF")
_FIRST_CAN_DIGITS = 10  # two length bytes, then service, item and count
_KEPT_UNKNOWN = 6


def masked(stream: bytes) -> bytes:
    """An adapter's answer to a question for the vehicle's number, without it."""
    lines = re.split(r"([\r\n>]+)", stream.decode("latin-1"))
    return "".join(map(_line, lines)).encode("latin-1")


def _line(line: str) -> str:
    digits = re.sub(r"[ \t\0\r\n]", "", line).translate(_CAPITALS)
    hidden = iter(_hidden(digits))
    return "".join(char if char in " \t\0\r\n" else next(hidden, "") for char in line)


def _hidden(digits: str) -> str:
    """The same number of characters, those of the vehicle's number replaced."""
    piece = _PIECE.match(digits)
    if piece:
        keep = 2 + (_KEPT_UNKNOWN if piece[1] == "0" and piece[2].startswith("4902") else 0)
        return _filled(digits, keep)
    run = _DIGITS.match(digits)
    if run is None or run.end() < _SHORT:
        return digits
    if run.end() < len(digits):  # a remark stands behind them
        return _hidden(run[0]) + digits[run.end() :]
    kind = kind_seen_in(digits)
    if kind is None:
        return _filled(digits, _KEPT_UNKNOWN)
    if kind.is_can:
        return _can(digits, 3 if kind is LinkKind.CAN_11 else 8)
    return _older(bytes.fromhex(digits), kind)


def _filled(digits: str, keep: int) -> str:
    return digits[:keep] + ("58" * len(digits))[: max(0, len(digits) - keep)]


def _can(digits: str, width: int) -> str:
    body = digits[width:]
    match body[0]:
        case "1":
            return _filled(digits, width + _FIRST_CAN_DIGITS)
        case "2":
            return _filled(digits, width + 2)
        case "0" if body[2:6] == "4902":
            return _filled(digits, width + 8)
    return digits


def _older(whole: bytes, kind: LinkKind) -> str:
    at = whole.find(REPLY, 3)
    if at < 0:
        return whole.hex().upper()
    kept = whole[: at + 3]
    body = kept + b"X" * (len(whole) - len(kept) - 1)
    check = crc_j1850(body) if kind is LinkKind.J1850 else sum_check(body)
    return (body + bytes((check,))).hex().upper()
