"""Whether a reply is whole and belongs to a request. Pure.

CAN's own checksum keeps bits right; it says nothing about frames that are lost, late, doubled or
mixed up. Whatever does not come out even, or answers another question, never becomes a reading.
"""

from __future__ import annotations

from collections.abc import Collection

from sootsayer.protocol.announced import FRESH, Limits
from sootsayer.protocol.j1979 import places_in
from sootsayer.protocol.monitor_tests import RECORD_BYTES
from sootsayer.protocol.pids import LAYOUTS, SUPPORT_PIDS
from sootsayer.protocol.vehicle_words import (
    CALIBRATION,
    CHECKSUM,
    COMPRESSION_COUNTERS,
    NAME,
    SPARK_COUNTERS,
    VIN,
)

NEGATIVE = 0x7F
REPLY = 0x40
BITMAP_BYTES = 6  # service, item, four bytes
# bytes of one piece behind service, item and count
_PIECES = {VIN: 17, CALIBRATION: 16, CHECKSUM: 4, NAME: 20} | dict.fromkeys(
    (SPARK_COUNTERS, COMPRESSION_COUNTERS), 2
)


def current_pids(payload: bytes, limits: Limits = FRESH.limits) -> tuple[int, ...]:
    """The parameters in a whole reply of service 01; none if anything about it is odd."""
    if len(payload) < 3:
        return ()
    places, trouble = places_in(payload, limits)
    pids = tuple(place.layout.pid for place in places)
    return pids if trouble is None and len(set(pids)) == len(pids) else ()


def _frozen_pairs(payload: bytes) -> tuple[bytes, ...]:
    """Parameter and frame number of each value in a whole reply of service 02."""
    pairs: list[bytes] = []
    at = 1
    while at + 2 < len(payload):
        layout = LAYOUTS.get(payload[at])
        size = 2 if payload[at] == 0x02 else layout.size if layout is not None else len(payload)
        pairs.append(payload[at : at + 2])
        at += 2 + size
    return tuple(pairs) if at == len(payload) else ()


def _is_whole_words(payload: bytes) -> bool:
    if len(payload) < 3:
        return False
    if payload[1] in SUPPORT_PIDS or payload[1] == 0:
        return len(payload) == BITMAP_BYTES
    size = _PIECES.get(payload[1], 1)
    return len(payload) > 3 and (len(payload) - 3) % size == 0


def _is_whole_tests(payload: bytes) -> bool:
    if len(payload) == BITMAP_BYTES:
        return payload[1] % 0x20 == 0
    return len(payload) > 1 and (len(payload) - 1) % RECORD_BYTES == 0


def is_whole(payload: bytes, limits: Limits = FRESH.limits) -> bool:
    """Whether a reply comes out even for its service."""
    match payload[0] if payload else 0:
        case 0x41:
            return bool(current_pids(payload, limits))
        case 0x42:
            return bool(_frozen_pairs(payload))
        case 0x43 | 0x47 | 0x4A:
            return len(payload) >= 2 and len(payload) == 2 + 2 * payload[1]
        case 0x46:
            return _is_whole_tests(payload)
        case 0x49:
            return _is_whole_words(payload)
        case 0x7F:
            return len(payload) == 3
    return False


def fits(
    request: bytes,
    payload: bytes,
    supported: Collection[int] = (),
    limits: Limits = FRESH.limits,
) -> bool:
    """Whether a whole reply belongs to this request.

    ``supported``: the parameters this control unit announced, empty while they are unknown.
    """
    if not is_whole(payload, limits):
        return False
    if payload[0] == NEGATIVE:
        return payload[1] == request[0]
    if payload[0] != request[0] | REPLY:
        return False
    match request[0]:
        case 0x01:
            allowed = set(request[1:])
            if supported:
                allowed &= set(supported) | SUPPORT_PIDS
            return allowed.issuperset(current_pids(payload, limits))
        case 0x02:
            asked = {request[at : at + 2] for at in range(1, len(request), 2)}
            return asked.issuperset(_frozen_pairs(payload))
        case 0x06:
            return _monitors(payload) <= set(request[1:])
        case 0x09:
            return payload[1] == request[1]
    return True


def _monitors(payload: bytes) -> set[int]:
    if len(payload) == BITMAP_BYTES:
        return {payload[1]}
    return set(payload[1::RECORD_BYTES])
