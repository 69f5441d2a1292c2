"""CSV with named columns: ``time`` and channel ids, with a unit in the header where it differs.

    time,rpm,map [inHg],egr_pct
    2024-05-01T08:00:00Z,812,10.3,0

Time: Unix seconds or milliseconds, ISO 8601 (without a zone: UTC), or seconds from the beginning.
Empty cells are no reading.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from sootsayer.model import Batch, Identity, Reading, Sample, Scaling, SootsayerError
from sootsayer.protocol.j1979 import scaling_of
from sootsayer.sources.batching import BatchBuilder
from sootsayer.units import KPA_PER_INHG

BATCH_ROWS = 10_000
EPOCH_BEGINS_S = 100_000_000.0  # 1973: a smaller time counts from the beginning
MILLISECONDS_BEGIN = 100_000_000_000.0  # as seconds this would be the year 5138
FINE = 0.001  # step of what a table holds: finer than any channel's own
_HEADER = re.compile(r"\s*([A-Za-z0-9_@]+)\s*(?:[\[(]\s*([^\])]*?)\s*[\])])?\s*")
_TIME_NAMES = frozenset({"time", "timestamp", "t"})

# unit as people write it → unit of the channel, factor, offset
UNITS = {
    "inHg": ("kPa", KPA_PER_INHG, 0.0),
    "hPa": ("kPa", 0.1, 0.0),
    "mbar": ("kPa", 0.1, 0.0),
    "bar": ("kPa", 100.0, 0.0),
    "C": ("°C", 1.0, 0.0),
    "degC": ("°C", 1.0, 0.0),
    "°F": ("°C", 1 / 1.8, -32 / 1.8),
    "F": ("°C", 1 / 1.8, -32 / 1.8),
    "1/min": ("rpm", 1.0, 0.0),
    "kph": ("km/h", 1.0, 0.0),
    "deg": ("°", 1.0, 0.0),
}


@dataclass(frozen=True, slots=True)
class _Column:
    index: int
    channel: str
    scaling: Scaling
    factor: float
    offset: float

    def sample(self, cell: str) -> Sample:
        """Raises ValueError for what is no number."""
        value = float(cell) * self.factor + self.offset
        raw = round((value - self.scaling.offset) / self.scaling.scale)
        return Sample(self.channel, raw, self.scaling)


def is_columns(path: Path) -> bool:
    """Whether the first line is a header with a time column."""
    with path.open("rb") as file:
        first = file.readline(65536).decode("utf-8-sig", "replace")
    names = [_HEADER.fullmatch(name) for name in re.split("[,;\t]", first)]
    return len(names) > 1 and names[0] is not None and names[0][1].lower() in _TIME_NAMES


def _scaling_for(channel: str) -> Scaling:
    """States, counts and percentages keep the car's own steps; other quantities get finer ones."""
    own = scaling_of(channel)
    if own.unit in ("", "%"):
        return own
    return Scaling(f"table{FINE}{own.unit}", FINE, 0.0, own.unit)


class ColumnsFile:
    """One table. Raises SootsayerError for a header without a channel or with an unknown unit."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.size_bytes = path.stat().st_size
        self.done_bytes = 0
        self.counters: Counter[str] = Counter()
        self._unknown: list[str] = []
        with path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
            first = file.readline()
            self._delimiter = max(",;\t", key=first.count)
            self._columns = self._header(next(csv.reader([first], delimiter=self._delimiter)))
            second = next(csv.reader(file, delimiter=self._delimiter), [""])
        self._from_beginning = False
        self.first_ms = self._time_ms(second[0]) or 0
        if 0 <= self.first_ms < EPOCH_BEGINS_S * 1000:
            self._from_beginning = True
            self.first_ms += self._begin_ms()

    def _begin_ms(self) -> int:
        return round(self.path.stat().st_mtime * 1000) if self._from_beginning else 0

    def _header(self, names: list[str]) -> list[_Column]:
        columns = []
        for index, name in enumerate(names[1:], start=1):
            match = _HEADER.fullmatch(name)
            channel = match[1].lower().replace("@7e", "@7E") if match else ""
            try:
                scaling = _scaling_for(channel)
            except KeyError:
                self._unknown.append(name.strip())
                continue
            factor, offset = self._conversion(name, match[2] if match else None, scaling)
            columns.append(_Column(index, channel, scaling, factor, offset))
        if not columns:
            raise SootsayerError(
                f"recording {self.path} has no column that names a channel; "
                f"found {', '.join(names[1:])}; expected names such as rpm, map, maf, egr_pct"
            )
        return columns

    def _conversion(self, name: str, unit: str | None, scaling: Scaling) -> tuple[float, float]:
        if not unit or unit == scaling.unit:
            return 1.0, 0.0
        target, factor, offset = UNITS.get(unit, ("", 0.0, 0.0))
        if target != scaling.unit:
            raise SootsayerError(
                f"recording {self.path}: column {name.strip()!r} has the unit {unit!r}; "
                f"give it in {scaling.unit or 'whole numbers'}"
            )
        return factor, offset

    def _time_ms(self, cell: str) -> int | None:
        text = cell.strip()
        try:
            number = float(text)
        except ValueError:
            return _iso_ms(text)
        if not abs(number) < 1e15:
            return None
        return round(number if number >= MILLISECONDS_BEGIN else number * 1000)

    def batches(self, after_ms: int) -> Iterator[Batch]:
        """Batches of some thousand rows; rows that run back in time are moved up and counted."""
        builder = BatchBuilder()
        begin_ms = self._begin_ms()
        last_ms = max(after_ms, self.first_ms - 1)
        builder.take(after_ms)
        for notice in self._notices():
            builder.add(Identity(last_ms + 1, "capture", "notice", notice))
        for number, row in enumerate(self._rows(), start=1):
            t_ms = self._time_ms(row[0]) if row else None
            samples = self._samples(row)
            if t_ms is None or not samples:
                self.counters["rows without a reading"] += 1
                continue
            last_ms = max(last_ms, t_ms + begin_ms)
            builder.add(Reading(t_ms + begin_ms, "table", samples))
            if number % BATCH_ROWS == 0:
                yield builder.take(last_ms - 1)
        if not builder.readings:
            raise SootsayerError(
                f"recording {self.path} has a header but no reading; expected rows of numbers"
            )
        self.counters["rows out of order"] = builder.late
        self.done_bytes = self.size_bytes
        words = ", ".join(f"{count} × {what}" for what, count in self.counters.items() if count)
        if words:
            builder.add(Identity(last_ms, "capture", "passed over", words))
        yield builder.take(last_ms)

    def _notices(self) -> Iterator[str]:
        if self._unknown:
            yield f"{self.path.name}: columns passed over: {', '.join(self._unknown)}"
        if self._from_beginning:
            yield (
                f"{self.path.name}: time counts from the beginning of the recording, "
                "and the recording is taken to begin when the file was last changed"
            )

    def _rows(self) -> Iterator[list[str]]:
        with self.path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
            next(file, None)
            for row in csv.reader(file, delimiter=self._delimiter):
                self.done_bytes = min(
                    self.size_bytes, self.done_bytes + sum(map(len, row)) + len(row)
                )
                yield row

    def _samples(self, row: list[str]) -> tuple[Sample, ...]:
        found = []
        for column in self._columns:
            cell = row[column.index].strip() if column.index < len(row) else ""
            if not cell:
                continue
            try:
                found.append(column.sample(cell))
            except (ValueError, OverflowError):
                self.counters["cells that are no number"] += 1
        return tuple(found)


def _iso_ms(text: str) -> int | None:
    try:
        date = datetime.fromisoformat(text)
    except ValueError:
        return None
    if date.tzinfo is None:
        date = date.replace(tzinfo=UTC)
    return round(date.timestamp() * 1000)
