"""SAE J1979-2: the same questions in the words of ISO 14229, for cars that no longer know 01 to 0A.

Data identifier F4xx carries what parameter xx carried, F6xx the results of monitor xx, F8xx the
words of item xx; codes come from service 19. Requests and replies are turned into the form of
J1979 and back, so that everything else need not know. The layouts of
F4xx, of F8xx without count byte and of 19 42 agree with what an ISO 27145 tester in the field
sends and reads; F6xx and 19 55 are from memory. Freeze frames are not asked for. Pure.
"""

from __future__ import annotations

from itertools import chain

from sootsayer.protocol.codes import code_text
from sootsayer.protocol.pids import LAYOUTS

READ, CODES = 0x22, 0x19
MOST_IDENTIFIERS = 3  # what fits a single frame
EMISSIONS = 0x33  # the functional group
BY_MASK, PERMANENT = 0x42, 0x55
ALL_SEVERITIES = 0x1E
STATUS_BIT = {0x03: 0x08, 0x07: 0x04}  # confirmed, pending
HIGH = {0x01: 0xF4, 0x06: 0xF6, 0x09: 0xF8}
_RECORD_BYTES = 8  # a monitor's test without the monitor's own number


def uds_request(request: bytes) -> bytes | None:
    """The request in the words of ISO 14229; None for what cannot be asked that way."""
    service = request[0]
    if service in HIGH and 2 <= len(request) <= 1 + MOST_IDENTIFIERS:
        return bytes((READ, *chain.from_iterable((HIGH[service], item) for item in request[1:])))
    if service in STATUS_BIT:
        return bytes((CODES, BY_MASK, EMISSIONS, STATUS_BIT[service], ALL_SEVERITIES))
    if service == 0x0A:
        return bytes((CODES, PERMANENT, EMISSIONS))
    return None


def j1979_request(request: bytes) -> bytes | None:
    """The other way, for requests of another tester; None for what is none of ours."""
    if request[:1] == bytes((READ,)) and len(request) >= 3 and len(request) % 2:
        high = {number: service for service, number in HIGH.items()}
        if request[1] in high and set(request[1::2]) == {request[1]}:
            return bytes((high[request[1]], *request[2::2]))
    if request[:3] == bytes((CODES, PERMANENT, EMISSIONS)):
        return b"\x0a"
    if request[:3] == bytes((CODES, BY_MASK, EMISSIONS)) and len(request) == 5:
        return {0x08: b"\x03", 0x04: b"\x07"}.get(request[3])
    return None


def j1979_reply(request: bytes, payload: bytes) -> bytes | None:
    """A reply in the form of J1979; ``request`` is the one in that form. None: not a whole one."""
    match payload[0] if payload else 0:
        case 0x7F:
            return bytes((0x7F, request[0], payload[2])) if len(payload) == 3 else None
        case 0x62:
            return _data(request, payload)
        case 0x59:
            return _codes(request, payload)
    return None


def _data(request: bytes, payload: bytes) -> bytes | None:
    match request[0]:
        case 0x01:
            parameters = _parameters(payload[1:])
            return None if parameters is None else b"\x41" + parameters
        case 0x06 if payload[1:3] == bytes((0xF6, request[1])):
            return _tests(request[1], payload[3:])
        case 0x09 if payload[1:3] == bytes((0xF8, request[1])):
            return _words(request[1], payload[3:])
    return None


def _parameters(body: bytes) -> bytes | None:
    """``F4 PID bytes …`` without the F4s; the split must come out even."""
    if not body:
        return b""
    layout = LAYOUTS.get(body[1]) if len(body) > 1 and body[0] == HIGH[0x01] else None
    if layout is None:
        return None
    sizes = [layout.size, layout.other_size or layout.size]
    if layout.may_grow:
        sizes.append(len(body) - 2)
    for size in sizes:
        rest = _parameters(body[2 + size :]) if len(body) >= 2 + size else None
        if rest is not None:
            return body[1 : 2 + size] + rest
    return None


def _tests(monitor: int, body: bytes) -> bytes | None:
    if monitor % 0x20 == 0:
        return bytes((0x46, monitor)) + body if len(body) == 4 else None
    if not body or len(body) % _RECORD_BYTES:
        return None
    records = (body[at : at + _RECORD_BYTES] for at in range(0, len(body), _RECORD_BYTES))
    return b"\x46" + b"".join(bytes((monitor,)) + record for record in records)


def _words(item: int, body: bytes) -> bytes | None:
    """On this side there is no count byte; one is put in where J1979 has it."""
    if item % 0x20 == 0:
        return bytes((0x49, item)) + body if len(body) == 4 else None
    return bytes((0x49, item, 0x01)) + body


def _records(payload: bytes) -> list[bytes] | None:
    """Code (three bytes) and status of each code in a reply of service 19."""
    if payload[1:3] == bytes((BY_MASK, EMISSIONS)) and len(payload) >= 6:
        body, size, code_at = payload[6:], 5, 1
    elif payload[1:3] == bytes((PERMANENT, EMISSIONS)) and len(payload) >= 5:
        body, size, code_at = payload[5:], 4, 0
    else:
        return None
    if len(body) % size:
        return None
    return [body[at + code_at : at + size] for at in range(0, len(body), size)]


def _codes(request: bytes, payload: bytes) -> bytes | None:
    subfunction = PERMANENT if request[0] == 0x0A else BY_MASK
    records = _records(payload)
    if records is None or payload[1] != subfunction or request[0] not in (0x03, 0x07, 0x0A):
        return None
    wanted = STATUS_BIT.get(request[0], 0)
    pairs = [record[:2] for record in records if record[3] & wanted == wanted]
    kept = list(dict.fromkeys(pairs))[:0xFF]
    return bytes((request[0] | 0x40, len(kept))) + b"".join(kept)


def failure_types(payload: bytes) -> list[tuple[str, str]]:
    """Code and failure type of each code in a reply of service 19: ("P0401", "00")."""
    found = []
    for record in (_records(payload) or ()) if payload[:1] == b"\x59" else ():
        code = code_text(record[0], record[1])
        if code is not None:
            found.append((code, f"{record[2]:02X}"))
    return found
