"""Replies of the older links brought into the form they have on CAN.

J1850, ISO 9141 and ISO 14230 carry at most seven bytes, so lists come as several messages and
without a count: codes three at a time with filler, words of service 09 in numbered pieces.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from sootsayer.protocol.headers import Frame

_CODES = (0x43, 0x47, 0x4A)
LOST_PIECE = "piece of a reply missing"


def _codes(unit: str, bodies: Sequence[bytes]) -> Frame:
    pairs = [body[at : at + 2] for body in bodies for at in range(1, len(body) - 1, 2)]
    codes = [pair for pair in pairs if any(pair)][:255]
    return Frame(unit, bytes((bodies[0][0], len(codes))) + b"".join(codes))


def _words(unit: str, bodies: Sequence[bytes], faults: Counter[str]) -> Frame | None:
    """Numbered pieces ``49 item number bytes``, joined when none is missing."""
    pieces = {body[2]: body[3:] for body in bodies}
    if sorted(pieces) != list(range(1, len(pieces) + 1)):
        faults[LOST_PIECE] += 1
        return None
    joined = b"".join(pieces[number] for number in sorted(pieces))
    return Frame(unit, bytes((bodies[0][0], bodies[0][1], 1)) + joined)


def _refusal(frame: Frame) -> Frame:
    """``7F service bytes reason``: the reason is last, whatever of the request is repeated."""
    return Frame(frame.unit, frame.body[:2] + frame.body[-1:])


def merge(frames: Sequence[Frame], faults: Counter[str]) -> list[Frame]:
    """Whole replies in the form of CAN from the messages one request brought.

    What is missing a piece is left out and counted in ``faults``.
    """
    merged: list[Frame] = []
    lists: dict[tuple[str, int, int], list[bytes]] = {}
    for frame in frames:
        service = frame.body[0]
        if service in _CODES:
            lists.setdefault((frame.unit, service, 0), []).append(frame.body)
        elif service == 0x49 and len(frame.body) > 3:
            lists.setdefault((frame.unit, service, frame.body[1]), []).append(frame.body)
        elif service == 0x7F and len(frame.body) > 2:
            merged.append(_refusal(frame))
        else:
            merged.append(frame)
    for (unit, service, _), bodies in lists.items():
        whole = _codes(unit, bodies) if service in _CODES else _words(unit, bodies, faults)
        if whole is not None:
            merged.append(whole)
    return merged
