"""Traces for plots: smallest, largest and mean value in each column of time. Spikes stay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from sootsayer.model import FloatArray, IntArray, SootsayerError
from sootsayer.store.reader import ArchiveReader
from sootsayer_web import derived
from sootsayer_web.limits import Limits
from sootsayer_web.moments import iso, parse_moment
from sootsayer_web.names import label_of
from sootsayer_web.records import OpenArchive, Times


@dataclass(frozen=True, slots=True)
class TraceQuestion:
    """What is asked for. Times are wall time in Unix milliseconds."""

    channels: tuple[str, ...]
    start_ms: int
    end_ms: int
    width: int


def parse_question(query: Mapping[str, str], limits: Limits) -> TraceQuestion:
    """The question in a query string. Every way to be wrong is one line of SootsayerError."""
    channels = tuple(part for part in query.get("channels", "").split(",") if part)
    if not channels:
        raise SootsayerError("channels is missing: name some, as in channels=rpm,map")
    if len(channels) > limits.trace_channels:
        raise SootsayerError(
            f"channels names {len(channels)}: ask for at most {limits.trace_channels} at once"
        )
    for name in ("start", "end"):
        if not query.get(name):
            raise SootsayerError(f"{name} is missing: write it as 2026-11-24T07:49:00Z")
    start_ms, end_ms = (parse_moment(query[name], name) for name in ("start", "end"))
    if start_ms >= end_ms:
        raise SootsayerError(f"start {query['start']!r} is not before end {query['end']!r}")
    return TraceQuestion(channels, start_ms, end_ms, _width(query.get("width"), limits))


def _width(text: str | None, limits: Limits) -> int:
    if not text:
        return limits.trace_width
    if not text.isdigit() or not 1 <= int(text) <= limits.trace_widest:
        raise SootsayerError(
            f"width is {text!r}: write a whole number from 1 to {limits.trace_widest}"
        )
    return int(text)


def trace_answer(archive: OpenArchive, question: TraceQuestion) -> dict[str, Any]:
    """The envelope of each channel between two moments of wall time.

    Raises SootsayerError for a channel that the archive has never seen.
    """
    units = known_units(archive.reader)
    for channel in question.channels:
        if channel not in units:
            known = ", ".join(sorted(units)) or "none yet"
            raise SootsayerError(f"channels names {channel!r}, which is not recorded: {known}")
    start_ms = archive.times.log_ms(question.start_ms)
    end_ms = archive.times.log_ms(question.end_ms)
    if derived.MOVED in question.channels and end_ms - start_ms > derived.LONGEST_MS:
        raise SootsayerError(
            f"channels names {derived.MOVED!r}, which is worked out anew each time: ask for it "
            f"over at most {derived.LONGEST_MS // 60_000} minutes"
        )
    return {
        "start": iso(question.start_ms),
        "end": iso(question.end_ms),
        "width": question.width,
        "channels": [
            channel_trace(archive, channel, units[channel], start_ms, end_ms, question.width)
            for channel in question.channels
        ],
    }


def known_units(reader: ArchiveReader) -> dict[str, str]:
    """The unit of every channel that can be asked for, ``moved`` among them if it can be told."""
    units = {row.name: row.scaling.unit for row in reader.channels()}
    if derived.gives_position(set(units)):
        units[derived.MOVED] = derived.MOVED_UNIT
    return units


def channel_trace(
    archive: OpenArchive, channel: str, unit: str, start_ms: int, end_ms: int, width: int
) -> dict[str, Any]:
    """One channel between two log times: columns with readings only, empty ones left out.

    ``t_ms`` is wall time in Unix milliseconds, because a plot wants numbers.
    """
    t_ms, low, high, mean = _columns(archive.reader, channel, start_ms, end_ms, width)
    seen = ~np.isnan(mean)
    return {
        "channel": channel,
        "label": derived.MOVED_LABEL if channel == derived.MOVED else label_of(channel),
        "unit": unit,
        "column_ms": max(1, round((end_ms - start_ms) / width)),
        "t_ms": wall_times(archive.times, t_ms[seen]),
        "low": _figures(low[seen]),
        "high": _figures(high[seen]),
        "mean": _figures(mean[seen]),
    }


Columns = tuple[IntArray, FloatArray, FloatArray, FloatArray]


def _columns(
    reader: ArchiveReader, channel: str, start_ms: int, end_ms: int, width: int
) -> Columns:
    if channel != derived.MOVED:
        envelope = reader.envelope(channel, start_ms, end_ms, width)
        return envelope.t_ms, envelope.low, envelope.high, envelope.mean
    blocks = derived.stretch(reader, start_ms, end_ms)
    return in_columns(*derived.moved(blocks, start_ms, end_ms), start_ms, end_ms, width)


def in_columns(
    t_ms: IntArray, values: FloatArray, start_ms: int, end_ms: int, width: int
) -> Columns:
    """Middle, smallest, largest and mean of each column of time that holds a value.

    ``t_ms`` ascends within ``start_ms < t <= end_ms``; columns without a value are left out.
    """
    if not len(t_ms):
        none = np.empty(0)
        return np.empty(0, dtype=np.int64), none, none, none
    column = (t_ms - start_ms - 1) * width // (end_ms - start_ms)
    used, first, count = np.unique(column, return_index=True, return_counts=True)
    middle = start_ms + ((2 * used + 1) * (end_ms - start_ms)) // (2 * width)
    return (
        middle.astype(np.int64),
        np.minimum.reduceat(values, first),
        np.maximum.reduceat(values, first),
        np.add.reduceat(values, first) / count,
    )


def wall_times(times: Times, t_ms: IntArray) -> list[int]:
    """Log times as wall times. One offset serves all unless the clock was set in between."""
    if not len(t_ms):
        return []
    first, last = int(t_ms[0]), int(t_ms[-1])
    offset_ms = times.wall_ms(first) - first
    if times.wall_ms(last) - last == offset_ms:
        return [int(t) for t in (t_ms + offset_ms)]
    return [times.wall_ms(t) for t in t_ms]


def _figures(values: FloatArray) -> list[float]:
    # Six digits are more than any channel carries, and keep the answer small.
    return [float(f"{value:.6g}") for value in values]
