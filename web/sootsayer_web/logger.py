"""How well the recording itself goes: rates, gaps, clock, room, versions, starts."""

from __future__ import annotations

import itertools
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from sootsayer.store.reader import ChannelRow
from sootsayer_web.limits import Limits
from sootsayer_web.names import label_of
from sootsayer_web.recorder import health_note, recorder_answer
from sootsayer_web.records import OpenArchive, Records, Times


def health_answer(records: Records, limits: Limits) -> dict[str, Any]:
    """The answer of ``/api/v1/health``. Figures that the recorder does not give are null."""
    archive = records.open()
    note = health_note(archive.reader) if archive is not None else {}
    return {
        "recorder": recorder_answer(records, archive, limits),
        "readings_per_s": _mapping(note.get("readings_per_s")),
        "counters": _mapping(note.get("counters")),
        "commit_s": note.get("commit_s"),
        "restarts": note.get("restarts"),
        "port": note.get("port"),
        "board_temp_c": note.get("board_temp_c"),
        "disk_free_bytes": note.get("disk_free_bytes"),
        "versions": {"recorder": note.get("version"), "dashboard": own_version()},
        "archive": _mapping(archive.reader.size()) if archive is not None else {},
        "gaps": _gaps(archive, limits) if archive is not None else [],
        "clock": _anchors(archive, limits) if archive is not None else [],
        "starts": _boots(archive, limits) if archive is not None else [],
    }


def own_version() -> str:
    """The version of the dashboard that answers."""
    try:
        return version("sootsayer")
    except PackageNotFoundError:
        return "not installed, run from its folder"


def _mapping(value: object) -> dict[str, Any]:
    return dict(value) if isinstance(value, dict) else {}


def _gaps(archive: OpenArchive, limits: Limits) -> list[dict[str, Any]]:
    newest = archive.reader.gaps()[::-1][: limits.gaps]
    return [
        {
            "start": archive.times.iso(gap.start_ms),
            "end": archive.times.iso(gap.end_ms),
            "lasted_s": (gap.end_ms - gap.start_ms) / 1000,
            "reason": gap.reason,
        }
        for gap in newest
    ]


def _anchors(archive: OpenArchive, limits: Limits) -> list[dict[str, Any]]:
    """Each time the wall clock was compared, newest first, and by how much it had been off."""
    anchors = archive.reader.anchors()
    offsets_ms = [anchor.wall_ms - anchor.t_ms for anchor in anchors]
    corrected_s = [0.0, *((b - a) / 1000 for a, b in itertools.pairwise(offsets_ms))]
    rows = [
        {
            "at": archive.times.iso(anchor.t_ms),
            "trusted": anchor.trusted,
            "source": anchor.source,
            "corrected_s": by_s,
        }
        for anchor, by_s in zip(anchors, corrected_s, strict=False)
    ]
    return rows[::-1][: limits.anchors]


def _boots(archive: OpenArchive, limits: Limits) -> list[dict[str, Any]]:
    boots = [
        {"boot": boot.boot_id, "at": archive.times.iso(boot.started_ms)}
        for boot in archive.reader.boots()
    ]
    return boots[::-1][: limits.boots]


def trips_answer(archive: OpenArchive | None) -> list[dict[str, Any]]:
    """All trips, newest first."""
    if archive is None:
        return []
    return [
        {
            "number": trip.number,
            "start": archive.times.iso(trip.start_ms),
            "end": archive.times.iso(trip.end_ms),
            "open": trip.open,
            "running_s": trip.running_s,
            "distance_km": trip.distance_km,
            "openings": trip.openings,
        }
        for trip in sorted(archive.reader.trips(), key=lambda trip: trip.start_ms, reverse=True)
    ]


def channels_answer(archive: OpenArchive | None) -> list[dict[str, Any]]:
    """All channels that the archive holds, by name; one that changed its scaling is one."""
    rows = archive.reader.channels() if archive is not None else []
    by_name: dict[str, list[ChannelRow]] = {}
    for row in rows:
        by_name.setdefault(row.name, []).append(row)
    return [_channel(archive.times, by_name[name]) for name in sorted(by_name) if archive]


def _channel(times: Times, rows: list[ChannelRow]) -> dict[str, Any]:
    firsts = [row.first_ms for row in rows if row.first_ms is not None]
    lasts = [row.last_ms for row in rows if row.last_ms is not None]
    return {
        "channel": rows[-1].name,
        "label": label_of(rows[-1].name),
        "unit": rows[-1].scaling.unit,
        "first": times.iso(min(firsts, default=None)),
        "last": times.iso(max(lasts, default=None)),
        "samples": sum(row.samples for row in rows),
    }
