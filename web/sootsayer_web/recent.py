"""The last ten minutes: what was asked, what moved, and what each opening brought."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sootsayer.model import Opening
from sootsayer_web import derived
from sootsayer_web.limits import Limits
from sootsayer_web.moments import parse_moment
from sootsayer_web.records import OpenArchive, Times
from sootsayer_web.trace import channel_trace, known_units

# The newer parameters say what they are; the older command stands in where they are missing.
ASKED = ("egr_a_cmd", "egr_pct")


def recent_answer(
    archive: OpenArchive | None, end_ms: int | None, limits: Limits
) -> dict[str, Any]:
    """The stretch, the two traces to draw (None where the car has none), where recirculation
    was permitted, and the openings."""
    if archive is None or end_ms is None:
        return _nothing()
    start_ms = end_ms - round(limits.recent_s * 1000)
    times, recorded = archive.times, {row.name for row in archive.reader.channels()}
    allowed = derived.permitted(derived.stretch(archive.reader, start_ms, end_ms))
    return {
        "start": times.iso(start_ms),
        "end": times.iso(end_ms),
        "asked": next((channel for channel in ASKED if channel in recorded), None),
        "moved": derived.MOVED if derived.gives_position(recorded) else None,
        "permitted": [
            {"start": times.iso(begin_ms), "end": times.iso(finish_ms)}
            for begin_ms, finish_ms in allowed
        ],
        "openings": [
            opening_answer(times, opening) for opening in archive.reader.openings(start_ms, end_ms)
        ],
    }


def _nothing() -> dict[str, Any]:
    return dict.fromkeys(("start", "end", "asked", "moved")) | {"permitted": [], "openings": []}


def opening_answer(times: Times, opening: Opening) -> dict[str, Any]:
    """One opening with the gas it brought and the gas that was due, with their uncertainty."""
    return {
        "start": times.iso(opening.start_ms),
        "end": times.iso(opening.end_ms),
        "asked_pct": opening.asked_pct,
        "moved_pct": opening.moved_pct,
        "flow_g_s": opening.flow_g_s,
        "flow_sd_g_s": opening.flow_sd_g_s,
        "due_g_s": opening.due_g_s,
        "gas_pct": opening.gas_pct,
        "gas_sd_pct": opening.gas_sd_pct,
    }


def recent_rows(
    archive: OpenArchive | None, recent: Mapping[str, Any], limits: Limits
) -> list[dict[str, Any]]:
    """The plot's values for a table: means of what was asked and what moved, oldest first."""
    if archive is None or not recent["start"]:
        return []
    means = {name: _means(archive, recent, recent[name], limits) for name in ("asked", "moved")}
    moments = sorted({t_ms for column in means.values() for t_ms in column})
    return [{"t_ms": t} | {name: column.get(t) for name, column in means.items()} for t in moments]


def _means(
    archive: OpenArchive, recent: Mapping[str, Any], channel: str | None, limits: Limits
) -> dict[int, float]:
    """Mean by wall time of the column's middle; empty where the car has no such channel."""
    if channel is None:
        return {}
    unit = known_units(archive.reader)[channel]
    start_ms, end_ms = (
        archive.times.log_ms(parse_moment(recent[key], key)) for key in ("start", "end")
    )
    trace = channel_trace(archive, channel, unit, start_ms, end_ms, limits.recent_rows)
    return dict(zip(trace["t_ms"], trace["mean"], strict=True))
