"""Slow streams told by pulse widths, heard through a serial port that is ten times as fast.

Each bit is a cell that begins with the line falling; it rises again early for 0 and late for 1.
To the serial port the fall is a start bit, so every cell arrives as one character whose noughts,
lowest bit first, say how long the line stayed low. A word is a start bit 0 and eight bits, the
highest first; nine ones, which no word can hold, begin a frame.

Nothing here does I/O or knows the time. Whatever arrives, a doubtful character ends the frame.
"""

from __future__ import annotations

from collections import Counter

SYNC_ONES = 9
WORD_BITS = 9
LOW_FOR_0, LOW_FOR_1 = 4, 6  # tenths of a cell: at most, at least; between is doubtful
# What a cell can look like: noughts, then ones. → tenths of the cell that were low, with start bit.
_LOW_TENTHS = {0xFF << zeros & 0xFF: 1 + zeros for zeros in range(9)}

DOUBTFUL = "stream pulse of doubtful width"
WRONG_LENGTH = "stream frame of wrong length"


def bit_of(character: int) -> int | None:
    """0 or 1, None for a pulse that is neither."""
    low = _LOW_TENTHS.get(character, 5)
    return 0 if low <= LOW_FOR_0 else 1 if low >= LOW_FOR_1 else None


class PulseWords:
    """Characters in, whole frames of ``words`` bytes out.

    A frame counts only when exactly nine ones and a nought follow it, because a lost or added
    pulse anywhere in it shifts all that comes after, and a last bit of 1 would pass for one of
    the nine.
    """

    def __init__(self, words: int, counters: Counter[str]) -> None:
        self._words = words
        self._counters = counters
        self._hunt()

    def feed(self, characters: bytes) -> list[bytes]:
        return [frame for one in characters if (frame := self._take(bit_of(one))) is not None]

    def reset(self) -> None:
        """A pause: what was begun will not be finished."""
        self._hunt()

    def _hunt(self) -> None:
        self._ones = 0
        self._bits: list[int] | None = None  # of the running frame, None while none runs

    def _take(self, bit: int | None) -> bytes | None:
        if bit is None:
            self._counters[DOUBTFUL] += 1
            self._hunt()
            return None
        begins = bit == 0 and self._ones >= SYNC_ONES
        self._ones = self._ones + 1 if bit else 0
        frame = None
        if self._bits is not None:
            self._bits.append(bit)
            frame = self._completed(self._bits)
        if begins:
            self._bits = [0]
        return frame

    def _completed(self, bits: list[int]) -> bytes | None:
        """The frame when its last bit and the ones after it have come."""
        body, count = self._words * WORD_BITS, len(bits)
        expected = None if count % WORD_BITS != 1 else 0  # a word begins with 0
        if count > body:
            expected = 1 if count <= body + SYNC_ONES else 0
        if expected is not None and bits[-1] != expected:
            self._counters[WRONG_LENGTH] += 1
            self._bits = None  # the ones counted so far may still begin another frame
            return None
        if count <= body + SYNC_ONES:
            return None
        return bytes(
            int("".join(map(str, bits[at + 1 : at + WORD_BITS])), 2)
            for at in range(0, body, WORD_BITS)
        )
