"""Columns of whole numbers as few bytes: predict, fold the sign, lay bytes in planes.

A column of n int64 becomes a small head (how it was predicted, how many bytes a residual needs)
and that many planes of bytes, lowest first. Planes of neighbours look alike, which is what the
compressor over all of them lives on. Arithmetic wraps at 64 bits, so any int64 survives.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from sootsayer.model import IntArray

Unsigned = npt.NDArray[np.uint64]

WIDTH_BITS = 4  # low bits of a head's first byte: bytes a residual; high bits: differences taken
MOST_DIFFERENCES = 2
SEVEN_BITS = 0x7F
MORE = 0x80
LONGEST_NUMBER_BYTES = 10  # 64 bits in groups of seven


class MalformedError(ValueError):
    """The bytes are not what pack() writes."""


class Writer:
    """Collects numbers and columns; :meth:`take` gives the bytes, the head and then each column."""

    def __init__(self) -> None:
        self._head = bytearray()
        self._planes: list[bytes] = []

    def number(self, value: int) -> None:
        """An unsigned number in groups of seven bits, lowest first."""
        while value > SEVEN_BITS:
            self._head.append(value & SEVEN_BITS | MORE)
            value >>= 7
        self._head.append(value)

    def signed(self, value: int) -> None:
        self.number((value << 1) ^ (value >> 63))

    def column(self, column: IntArray) -> None:
        """A column whose length the reader will know."""
        if len(column) == 0:
            return
        differences, starts, residuals = _predict(column)
        planes = _planes(residuals)
        self.number(differences << WIDTH_BITS | len(planes))
        for start in starts:
            self.signed(start)
        self._planes.append(planes.tobytes())

    def take(self) -> list[bytes]:
        return [len(self._head).to_bytes(4, "little") + self._head, *self._planes]


class Reader:
    """Reads in the same order what a :class:`Writer` was given. Raises MalformedError."""

    def __init__(self, body: bytes) -> None:
        head_bytes = int.from_bytes(body[:4], "little")
        self._body = body
        self._at = 4
        self._plane_at = 4 + head_bytes
        if len(body) < self._plane_at:
            raise MalformedError("shorter than its head says")

    def number(self) -> int:
        value = 0
        for shift in range(0, 7 * LONGEST_NUMBER_BYTES, 7):
            byte = self._body[self._at]
            self._at += 1
            value |= (byte & SEVEN_BITS) << shift
            if byte <= SEVEN_BITS:
                return value
        raise MalformedError("a number of more than 64 bits")

    def signed(self) -> int:
        folded = self.number()
        return (folded >> 1) ^ -(folded & 1)

    def column(self, length: int, wanted: bool = True) -> IntArray:
        """The next column, or an empty one if it is not wanted and only to be stepped over."""
        if length == 0:
            return np.empty(0, np.int64)
        differences, width = divmod(self.number(), 1 << WIDTH_BITS)
        count = length - max(differences, 0)
        starts = [self.signed() for _ in range(max(differences, 1))]
        size_bytes = width * count
        planes = np.frombuffer(self._body, np.uint8, size_bytes, self._plane_at)
        self._plane_at += size_bytes
        if not wanted:
            return np.empty(0, np.int64)
        return _restore(differences, starts, _residuals(planes, width, count))


def _predict(column: IntArray) -> tuple[int, list[int], Unsigned]:
    """The cheapest of: distance from the lowest, first and second differences."""
    low = int(column.min())
    best = (0, [low], (column - low).view(np.uint64))
    cost = _cost_bytes(best[2])
    starts: list[int] = []
    rest = column
    for differences in range(1, min(MOST_DIFFERENCES, len(column) - 1) + 1):
        starts = [*starts, int(rest[0])]
        rest = np.diff(rest)
        residuals = _fold(rest)
        new_cost = _cost_bytes(residuals)
        if new_cost < cost:
            best, cost = (differences, starts, residuals), new_cost
    return best


def _cost_bytes(residuals: Unsigned) -> float:
    """What an ideal coder without memory would need for the planes."""
    return sum(_entropy_bytes(plane) for plane in _planes(residuals))


def _entropy_bytes(plane: npt.NDArray[np.uint8]) -> float:
    counts = np.bincount(plane)
    counts = counts[counts > 0]
    return float(counts @ np.log2(len(plane) / counts)) / 8


def _planes(residuals: Unsigned) -> npt.NDArray[np.uint8]:
    """Bytes transposed, uint8 of (width, n); width 0 when all are zero."""
    width = (int(residuals.max()).bit_length() + 7) // 8
    return residuals.astype("<u8", copy=False).view(np.uint8).reshape(-1, 8)[:, :width].T


def _residuals(planes: npt.NDArray[np.uint8], width: int, count: int) -> Unsigned:
    wide = np.zeros((count, 8), np.uint8)
    wide[:, :width] = planes.reshape(width, count).T
    return wide.view("<u8").reshape(count)


def _restore(differences: int, starts: Sequence[int], residuals: Unsigned) -> IntArray:
    if differences == 0:
        return residuals.view(np.int64) + np.int64(starts[0])
    column = _unfold(residuals)
    for start in reversed(starts):
        column = np.cumsum(np.concatenate([np.array([start], np.int64), column]))
    return column


def _fold(signed: IntArray) -> Unsigned:
    """0, -1, 1, -2 … become 0, 1, 2, 3 …"""
    return ((signed << 1) ^ (signed >> 63)).view(np.uint64)


def _unfold(folded: Unsigned) -> IntArray:
    one = np.uint64(1)
    return ((folded >> one) ^ (np.uint64(0) - (folded & one))).view(np.int64)
