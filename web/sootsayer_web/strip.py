"""The chances of an alert as one row of marks: where each lies against the limit.

Geometry only, in per cent of the drawing, so that the page scales it without bending the marks.
Chances are set side by side in their order, because days of parking would squeeze them together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sootsayer.model import Episode

TOP, BOTTOM = 8.0, 88.0  # per cent of the height that marks may use; the rest holds their own size
ROOM = 0.08  # share of the range left free above and below


@dataclass(frozen=True, slots=True)
class Dot:
    """One chance. ``number`` counts from 1 over all chances of the alert."""

    number: int
    x: float
    y: float
    failed: bool


@dataclass(frozen=True, slots=True)
class Strip:
    """``limit_y`` is None when there is no limit to draw; ``unmeasured`` chances have no mark."""

    dots: tuple[Dot, ...]
    limit_y: float | None
    low: float
    high: float
    unmeasured: int
    first_number: int


def make_strip(episodes: Sequence[Episode], limit: float | None, most: int) -> Strip | None:
    """The newest ``most`` chances as marks. None when no chance was measured."""
    first = max(0, len(episodes) - most)
    newest = episodes[first:]
    measured = [e.measure for e in newest if e.measure is not None]
    if not measured:
        return None
    low, high = _range([*measured, *([limit] if limit is not None else [])])

    def height(value: float) -> float:
        return BOTTOM - (value - low) / (high - low) * (BOTTOM - TOP)

    dots = tuple(
        Dot(first + i + 1, 100 * (i + 0.5) / len(newest), height(e.measure), e.failed)
        for i, e in enumerate(newest)
        if e.measure is not None
    )
    limit_y = None if limit is None else height(limit)
    return Strip(dots, limit_y, low, high, len(newest) - len(measured), first + 1)


def _range(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    room = (high - low) * ROOM or max(1.0, abs(high)) * ROOM
    return low - room, high + room
