"""ISO 15765-2 from the sender's end: one reply cut into CAN frames of eight bytes."""

from __future__ import annotations

PAD = 0xAA
CLEAR_TO_SEND = bytes((0x30, 0x00, 0x00))


def frames(payload: bytes) -> list[bytes]:
    """Single frame up to 7 bytes, else first and consecutive frames, padded to eight."""
    size = len(payload)
    if size <= 7:
        return [_padded(bytes((size,)) + payload)]
    cut = [bytes((0x10 | size >> 8, size & 0xFF)) + payload[:6]]
    for number, at in enumerate(range(6, size, 7), start=1):
        cut.append(_padded(bytes((0x20 | number & 0x0F,)) + payload[at : at + 7]))
    return cut


def single(frame: bytes) -> bytes | None:
    """The request in a single frame, None for any other frame."""
    if not frame or frame[0] >> 4 or not 1 <= frame[0] <= 7 or len(frame) <= frame[0]:
        return None
    return frame[1 : 1 + frame[0]]


def _padded(frame: bytes) -> bytes:
    return frame.ljust(8, bytes((PAD,)))
