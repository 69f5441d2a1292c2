"""Every chance of an alert as one small drawing, for a page without scripts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

WIDTH, HEIGHT, EDGE = 640, 110, 10
MOST_DOTS = 200  # more could not be told apart on paper


def strip(episodes: Sequence[Mapping[str, Any]], limit: float | None) -> str:
    """SVG of the newest chances that have a figure, "" if there are none.

    Crosses failed and rings passed; left is older, up is more; the limit is a dashed line.
    """
    measured = [one for one in episodes if one["measure"] is not None][-MOST_DOTS:]
    if not measured:
        return ""
    values = [one["measure"] for one in measured] + ([] if limit is None else [limit])
    low, high = min(values), max(values)
    tall = (high - low) or 1.0

    def y(value: float) -> float:
        return float(round(HEIGHT - EDGE - (value - low) / tall * (HEIGHT - 2 * EDGE), 1))

    step = (WIDTH - 2 * EDGE) / max(1, len(measured) - 1)
    dots = [
        _dot(round(EDGE + place * step, 1), y(one["measure"]), one["failed"])
        for place, one in enumerate(measured)
    ]
    line = ""
    if limit is not None:
        line = f'<line class="limit" x1="0" x2="{WIDTH}" y1="{y(limit)}" y2="{y(limit)}"/>'
    failed = sum(bool(one["failed"]) for one in measured)
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-label="{len(measured)} chances, {failed} failed">{line}{"".join(dots)}</svg>'
    )


def _dot(x: float, y: float, failed: bool) -> str:
    if failed:
        return f'<path class="failed" d="M{x - 4} {y - 4}l8 8m0 -8l-8 8"/>'
    return f'<circle class="passed" cx="{x}" cy="{y}" r="4"/>'
