"""Readings as CSV for a spreadsheet: UTC, units, empty cells where there is no reading.

Rows are written ten minutes at a time, so a month needs no more memory than an hour. Lines
that begin with ``#`` say of what, when and how sure the clock is.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TextIO

import numpy as np
import numpy.typing as npt

from sootsayer.model import Alert, IntArray, Series, SootsayerError
from sootsayer.report.selection import Progress, Selection, no_progress, windows
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.walltime import WallTimes, utc_text
from sootsayer.units import MS_PER_S

ALERT_PADDING_S = 60.0  # enough to see the engine settle before and after
VIN_SHOWN = 4  # last characters, which tell two cars apart and identify neither

Texts = npt.NDArray[np.object_]


@dataclass(frozen=True, slots=True)
class Heading:
    """A column of the table. Readings in two units of one channel are two columns."""

    channel: str
    unit: str

    def text(self) -> str:
        return f"{self.channel} [{self.unit}]" if self.unit else self.channel


def export_span(
    reader: ArchiveReader,
    out: TextIO,
    start_ms: int | None = None,
    end_ms: int | None = None,
    channels: Sequence[str] | None = None,
    show_vin: bool = False,
    progress: Progress = no_progress,
) -> int:
    """Write readings with ``start < t <= end`` (log time) of some or all channels.

    Returns the number of rows. Raises SootsayerError for an unknown channel or an empty archive.
    """
    chosen = choose_span(reader, start_ms, end_ms, channels)
    return export_selection(reader, out, chosen, show_vin, progress)


def export_alert(
    reader: ArchiveReader,
    out: TextIO,
    number: int,
    padding_s: float = ALERT_PADDING_S,
    show_vin: bool = False,
) -> int:
    """Write the evidence of one alert: its channels over its span and ``padding_s`` around it.

    Returns the number of rows. Raises SootsayerError if there is no such alert.
    """
    return export_selection(reader, out, choose_alert(reader, number, padding_s), show_vin)


def export_selection(
    reader: ArchiveReader,
    out: TextIO,
    chosen: Selection,
    show_vin: bool = False,
    progress: Progress = no_progress,
) -> int:
    """Write what was chosen; the number of rows."""
    start_ms, end_ms = chosen.start_ms, chosen.end_ms
    headings = _headings(reader, chosen.channels)
    _preamble(reader, out, start_ms, end_ms, show_vin, chosen.alert)
    return _table(reader, out, headings, start_ms, end_ms, progress)


def choose_span(
    reader: ArchiveReader,
    start_ms: int | None,
    end_ms: int | None,
    channels: Sequence[str] | None,
) -> Selection:
    """Some or all of what is stored. Raises SootsayerError if that is nothing."""
    first_ms, last_ms = _span(reader)
    known = {row.name for row in reader.channels()}
    for name in channels or ():
        if name not in known:
            raise SootsayerError(
                f"channel {name}: not in the archive; it has: {', '.join(sorted(known))}"
            )
    return Selection(
        first_ms - 1 if start_ms is None else start_ms,
        last_ms if end_ms is None else end_ms,
        sorted(known) if channels is None else list(channels),
    )


def choose_alert(
    reader: ArchiveReader, number: int, padding_s: float = ALERT_PADDING_S
) -> Selection:
    """The channels of an alert around its span. Raises SootsayerError if there is none."""
    found = reader.alert(number)
    if found is None:
        known = ", ".join(str(row.id) for row in reader.alerts()) or "none"
        raise SootsayerError(f"alert {number}: not in the archive; it has: {known}")
    alert = found.alert
    padding_ms = round(padding_s * MS_PER_S)
    stored = {row.name for row in reader.channels()}
    return Selection(
        alert.first_ms - padding_ms,
        alert.last_ms + padding_ms,
        [name for name in alert.channels if name in stored],
        alert,
    )


def _span(reader: ArchiveReader) -> tuple[int, int]:
    span = reader.span()
    if span is None:
        raise SootsayerError(f"archive {reader.path}: holds no readings yet; nothing to export")
    return span


def _headings(reader: ArchiveReader, channels: Sequence[str]) -> list[Heading]:
    wanted = [row for row in reader.channels() if row.name in channels]
    return list(dict.fromkeys(Heading(row.name, row.scaling.unit) for row in wanted))


def _preamble(
    reader: ArchiveReader,
    out: TextIO,
    start_ms: int,
    end_ms: int,
    show_vin: bool,
    alert: Alert | None = None,
) -> None:
    times = reader.wall_times()
    vins = {found.value for found in reader.identities() if found.key == "vin"}
    verdict = reader.last_verdict()
    lines = ["Sootsayer readings"]
    lines.append(f"vehicle: {verdict.vehicle if verdict else 'not described'}")
    lines.extend(f"VIN: {vin}" for vin in sorted(vins))
    lines.append(f"span: {_utc(times, start_ms)} to {_utc(times, end_ms)} (start < time <= end)")
    lines.append(f"clock: {_trust(reader, times, start_ms, end_ms)}")
    if alert is not None:
        lines.append(f"alert: {alert.title} ({alert.rule}, {alert.state}). {alert.text}")
        lines.append(f"evidence: {_utc(times, alert.first_ms)} to {_utc(times, alert.last_ms)}")
    for gap in reader.gaps():
        if gap.start_ms < end_ms and gap.end_ms > start_ms:
            ends = f"{_utc(times, gap.start_ms)} to {_utc(times, gap.end_ms)}"
            lines.append(f"gap: {ends}: {gap.reason}")
    lines.append("a row is one moment, an empty cell is no reading")
    for line in lines:
        text = " ".join(line.split())
        out.write(f"# {text if show_vin else _masked(text, vins)}\n")


def _masked(text: str, vins: set[str]) -> str:
    """Every VIN with all but its last characters starred."""
    for vin in vins:
        text = text.replace(vin, "*" * (len(vin) - VIN_SHOWN) + vin[-VIN_SHOWN:])
    return text


def _trust(reader: ArchiveReader, times: WallTimes, start_ms: int, end_ms: int) -> str:
    boots = [boot.started_ms for boot in reader.boots() if start_ms < boot.started_ms <= end_ms]
    doubtful = [t_ms for t_ms in (start_ms, *boots, end_ms) if not times.wall_ms(t_ms)[1]]
    if not doubtful:
        return "trusted"
    earliest, latest = (
        "unknown" if wall_ms is None else utc_text(wall_ms)
        for wall_ms in times.bounds_ms(doubtful[0])
    )
    return (
        f"not trusted from {_utc(times, doubtful[0])} (earliest {earliest}, latest {latest}); "
        "spacing is right, the date may not be"
    )


def _utc(times: WallTimes, t_ms: int) -> str:
    return utc_text(times.wall_ms(t_ms)[0])


def _table(
    reader: ArchiveReader,
    out: TextIO,
    headings: Sequence[Heading],
    start_ms: int,
    end_ms: int,
    progress: Progress,
) -> int:
    times = reader.wall_times()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["utc", "log_ms", *(heading.text() for heading in headings)])
    count = 0
    for window_ms in windows(reader, start_ms, end_ms, progress):
        columns = [_column(reader, heading, *window_ms) for heading in headings]
        stamps, cells = _cells(columns)
        for t_ms, row in zip(stamps.tolist(), cells, strict=True):
            writer.writerow([_utc(times, t_ms), t_ms, *row])
        count += len(stamps)
    return count


def _column(
    reader: ArchiveReader, heading: Heading, start_ms: int, end_ms: int
) -> tuple[IntArray, Texts]:
    """Ascending stamps and cell texts of one column."""
    found = [
        series
        for series in reader.series(heading.channel, start_ms, end_ms)
        if series.scaling.unit == heading.unit
    ]
    if not found:
        return np.empty(0, np.int64), np.empty(0, object)
    t_ms = np.concatenate([series.t_ms for series in found])
    texts = np.concatenate([_texts(series) for series in found])
    order = np.argsort(t_ms, kind="stable")
    return t_ms[order], texts[order]


def _texts(series: Series) -> Texts:
    """Values with ten digits: more than any raw integer of a car can tell apart."""
    raw, which = np.unique(series.raw, return_inverse=True)
    values = raw * series.scaling.scale + series.scaling.offset
    return np.array([f"{value:.10g}" for value in values], dtype=object)[which]


def _cells(columns: Sequence[tuple[IntArray, Texts]]) -> tuple[IntArray, list[list[str]]]:
    """Stamps of n rows and n × columns texts. Two readings with one stamp make two rows."""
    repeats = [_repeats(t_ms) for t_ms, _ in columns]
    most = 1 + max((int(repeat.max(initial=0)) for repeat in repeats), default=0)
    keys = [t_ms * most + repeat for (t_ms, _), repeat in zip(columns, repeats, strict=True)]
    rows = np.unique(np.concatenate([np.empty(0, np.int64), *keys]))
    cells = np.full((len(rows), len(columns)), "", dtype=object)
    for column, key in enumerate(keys):
        cells[np.searchsorted(rows, key), column] = columns[column][1]
    return rows // most, cells.tolist()


def _repeats(t_ms: IntArray) -> IntArray:
    """0 for the first reading with a stamp, 1 for the second …"""
    return np.arange(len(t_ms)) - np.searchsorted(t_ms, t_ms, side="left")
