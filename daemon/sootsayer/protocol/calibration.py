"""From a count to a reading: by a straight line, by a table, or by a list of states.

A straight line stays a `Scaling`, so that the count itself is what is stored. A table cannot be
told by a scaling; its reading is stored in small steps and the count beside it, under the same
name with ``_raw``, so that a wrong table can be mended later without losing evidence.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass

from sootsayer.model import Sample, Scaling, SootsayerError
from sootsayer.toml_table import Table

COUNT = Scaling("count", 1.0, 0.0, "")
RAW = "_raw"
STEP = 0.1  # of a reading by table, in its unit: finer than a thermistor's table is true
LARGEST = 1e9  # no quantity in a car is larger; bounds what a mistyped factor can do


@dataclass(frozen=True, slots=True)
class Line:
    """value = electrical × scale + offset"""

    scale: float
    offset: float


@dataclass(frozen=True, slots=True)
class Curve:
    """Straight between points whose first numbers ascend; nothing is known beyond the ends."""

    points: tuple[tuple[float, float], ...]
    step: float

    def value(self, x: float) -> float | None:
        points = self.points
        if not points[0][0] <= x <= points[-1][0]:
            return None
        right = min(bisect_right(points, (x, math.inf)), len(points) - 1)
        (x0, y0), (x1, y1) = points[right - 1], points[right]
        return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


@dataclass(frozen=True, slots=True)
class States:
    """A count stands for a whole number; other counts stand for nothing."""

    of: Mapping[int, int]


@dataclass(frozen=True, slots=True)
class Calibration:
    """How one channel's counts become readings, and between which limits they are believed."""

    channel: str
    unit: str
    rule: Line | Curve | States
    least: float
    most: float

    def for_counts(self, electrical: Scaling = COUNT) -> Conversion:
        """Ready for use. ``electrical``: what one count is before calibration (a volt, a count)."""
        rule = self.rule
        if not isinstance(rule, Line):
            step = rule.step if isinstance(rule, Curve) else 1.0
            return Conversion(self, electrical, _named(step, 0.0, self.unit))
        scale = electrical.scale * rule.scale
        offset = electrical.offset * rule.scale + rule.offset
        return Conversion(self, electrical, _named(scale, offset, self.unit))


@dataclass(frozen=True, slots=True)
class Conversion:
    """A calibration together with what one count is."""

    calibration: Calibration
    electrical: Scaling
    scaling: Scaling

    def samples(self, raw: int) -> tuple[Sample, ...]:
        """The reading, with its count where that is lost otherwise; () if it is not believable."""
        rule, channel = self.calibration.rule, self.calibration.channel
        if isinstance(rule, Line):
            value = raw * self.scaling.scale + self.scaling.offset
            return (Sample(channel, raw, self.scaling),) if self._believed(value) else ()
        found: float | None
        if isinstance(rule, States):
            found = rule.of.get(raw)
        else:
            found = rule.value(raw * self.electrical.scale + self.electrical.offset)
        if found is None or not self._believed(found):
            return ()
        return (
            Sample(channel, round(found / self.scaling.scale), self.scaling),
            Sample(channel + RAW, raw, self.electrical),
        )

    def _believed(self, value: float) -> bool:
        return self.calibration.least <= value <= self.calibration.most


def _named(scale: float, offset: float, unit: str) -> Scaling:
    """The name is the identity, so it holds the figures to the last digit."""
    return Scaling(f"line {scale!r} {offset!r} {unit}".rstrip(), scale, offset, unit)


def calibration_from(table: Table, channel: str, unit: str | None = None) -> Calibration:
    """Read ``scale`` and ``offset``, or ``points``, or ``states``, with ``unit``, min and max.

    ``points``: two are a straight line, more are a table. ``unit``: given where it is not for
    the file to say. Raises SootsayerError for anything doubtful.
    """
    stated = table.text("unit", "")
    if unit is not None and table.has("unit") and stated != unit:
        raise table.wrong(f"unit = {stated!r}, but {channel} is in {unit!r}; calibrate it so")
    rule = _rule(table)
    states = rule.of.values() if isinstance(rule, States) else ()
    least = table.number("min", -LARGEST, LARGEST, min(states, default=None))
    most = table.number("max", -LARGEST, LARGEST, max(states, default=None))
    if least > most or (least == most and not states):
        raise table.wrong(f"min = {least:g} is not below max = {most:g}")
    return Calibration(channel, stated if unit is None else unit, rule, least, most)


def _rule(table: Table) -> Line | Curve | States:
    given = [key for key in ("points", "states", "scale") if table.has(key)]
    if len(given) > 1:
        raise table.wrong(f"{' and '.join(given)} cannot stand together; keep one")
    if given == ["points"]:
        return _by_points(table)
    if given == ["states"]:
        return _by_states(table)
    scale = table.number("scale", -LARGEST, LARGEST, 1.0)
    if scale == 0:
        raise table.wrong("scale = 0 would make every reading the same")
    return Line(scale, table.number("offset", -LARGEST, LARGEST, 0.0))


def _by_points(table: Table) -> Line | Curve:
    points = table.pairs("points")
    if len({y for _, y in points}) == 1:
        raise table.wrong("points: all second numbers are the same")
    if len(points) > 2:
        return Curve(points, table.number("step", 1e-6, 1000.0, STEP))
    (x0, y0), (x1, y1) = points
    scale = (y1 - y0) / (x1 - x0)
    return Line(scale, y0 - scale * x0)


def _by_states(table: Table) -> States:
    stated = table.table("states")
    found: dict[int, int] = {}
    for key in stated.names():
        try:
            count = int(key, 0)
        except ValueError:
            raise stated.wrong(f'{key!r} is no count; write "0" = 1') from None
        found[count] = stated.whole(key, -(2**31), 2**31)
    if not found:
        raise SootsayerError(f"{stated.where}: no state is given")
    return States(found)
