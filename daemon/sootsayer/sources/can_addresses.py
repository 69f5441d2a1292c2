"""Addresses of ISO 15765-4: who asks whom on CAN, with 11 and with 29 bits. Pure."""

from __future__ import annotations

FUNCTIONAL_11, FUNCTIONAL_29 = 0x7DF, 0x18DB33F1
REQUESTS_11 = range(0x7E0, 0x7E8)
REPLIES_11 = range(0x7E8, 0x7F0)
REQUEST_29, REPLY_29 = 0x18DA00F1, 0x18DAF100  # 18DAxxF1 asks unit xx, 18DAF1xx is its reply
_REQUEST_MASK_29, _REPLY_MASK_29 = 0x1FFF00FF, 0x1FFFFF00


def is_reply(address: int, extended: bool) -> bool:
    """Whether a control unit that answers a tester sends from this address."""
    if extended:
        return address & _REPLY_MASK_29 == REPLY_29
    return address in REPLIES_11


def is_request(address: int, extended: bool) -> bool:
    """Whether a tester sends to this address."""
    if extended:
        return address == FUNCTIONAL_29 or address & _REQUEST_MASK_29 == REQUEST_29
    return address == FUNCTIONAL_11 or address in REQUESTS_11


def is_functional(address: int) -> bool:
    return address in (FUNCTIONAL_11, FUNCTIONAL_29)


def functional(extended: bool) -> int:
    """The address to which all control units of emissions listen."""
    return FUNCTIONAL_29 if extended else FUNCTIONAL_11


def request_to(reply: int, extended: bool) -> int:
    """The physical address of the control unit that replies from ``reply``."""
    return REQUEST_29 | (reply & 0xFF) << 8 if extended else reply - 8


def reply_of(request: int, extended: bool) -> int:
    """The address from which a control unit asked at its physical address replies."""
    return REPLY_29 | request >> 8 & 0xFF if extended else request + 8


def unit_name(reply: int, extended: bool) -> str:
    """The unit as everything else names it: "7E8", "18DAF110"."""
    return f"{reply:08X}" if extended else f"{reply:03X}"
