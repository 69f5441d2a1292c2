"""What an archive holds of codes: trip by trip, results of monitors with margins, clearings.

Plain values for a page or a list; times are log time in ms, to be turned by the archive's clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from sootsayer.judge.codes import (
    SINCE_CLEARED,
    CodeSight,
    MonitorResult,
    Readiness,
    TripCodes,
    clearings,
    codes_by_trip,
    freeze_frames,
    monitor_results,
    readiness,
)
from sootsayer.model import Series
from sootsayer.protocol.readiness import Monitors
from sootsayer.store.reader import BEGINNING_MS, END_MS, ArchiveReader

STATUS_CHANNELS = ("monitor_status", "monitor_cycle")
RESULT_PREFIX = "mid"


def codes_of(
    reader: ArchiveReader, start_ms: int = BEGINNING_MS, end_ms: int = END_MS
) -> dict[str, Any]:
    """Everything said of codes with ``start < t <= end``, oldest first.

    ``trips``: per trip the looks by kind and the codes they found · ``results``: service 06 with
    limits, unit and margin · ``clearings``: when codes were cleared, and what gave it away ·
    ``freeze_frames`` and ``readiness``: the last that was told.
    """
    trips = [trip for trip in reader.trips() if trip.end_ms > start_ms and trip.start_ms <= end_ms]
    seen, looks = reader.codes_seen(start_ms, end_ms), reader.looks(start_ms, end_ms)
    counted = _series(reader, _names(reader, _counts), start_ms, end_ms)
    results = monitor_results(_series(reader, _names(reader, _is_result), start_ms, end_ms))
    status = readiness(_series(reader, STATUS_CHANNELS, start_ms, end_ms))
    frames = freeze_frames(reader.identities())
    return {
        "trips": [trip_json(trip) for trip in codes_by_trip(trips, seen, looks)],
        "results": [result_json(result) for result in results],
        "clearings": [
            {"after_ms": one.after_ms, "t_ms": one.t_ms, "signs": list(one.signs)}
            for one in clearings(counted)
        ],
        "freeze_frames": [
            {"unit": one.unit, "code": one.code, "read_ms": one.t_ms, "values": dict(one.values)}
            for one in frames
        ],
        "readiness": readiness_json(status),
    }


# ---------------------------------------------------------------- readings


def _names(reader: ArchiveReader, wanted: Callable[[str], bool]) -> list[str]:
    return sorted({row.name for row in reader.channels() if wanted(row.name)})


def _counts(channel: str) -> bool:
    name = channel.partition("@")[0]
    return name in SINCE_CLEARED or name == "monitor_status"


def _is_result(channel: str) -> bool:
    return channel.startswith(RESULT_PREFIX)


def _series(
    reader: ArchiveReader, channels: Iterable[str], start_ms: int, end_ms: int
) -> list[Series]:
    return [one for name in channels for one in reader.series(name, start_ms, end_ms)]


# ---------------------------------------------------------------- plain values


def trip_json(trip: TripCodes) -> dict[str, Any]:
    """``looks`` says how often each kind was looked for: none seen is a fact only beside it."""
    return {
        "trip": trip.trip,
        "looks": {status.value: count for status, count in trip.looks.items()},
        "codes": [sight_json(sight) for sight in trip.codes],
    }


def sight_json(sight: CodeSight) -> dict[str, Any]:
    return {
        "unit": sight.unit, "code": sight.code, "name": sight.name, "link": sight.link,
        "seen": {status.value: count for status, count in sight.seen.items()},
        "first_ms": sight.first_ms, "last_ms": sight.last_ms,
    }  # fmt: skip


def result_json(result: MonitorResult) -> dict[str, Any]:
    """Limits are None where they limit nothing; ``margin_pct`` is negative outside them."""
    return {
        "t_ms": result.t_ms, "control_unit": result.control_unit,
        "monitor": f"{result.monitor:02X}", "test": f"{result.test:02X}",
        "value": result.value, "least": result.least, "greatest": result.greatest,
        "unit": result.unit, "passed": result.passed, "margin_pct": result.margin_pct,
        "recirculation": result.recirculation,
    }  # fmt: skip


def readiness_json(said: Readiness) -> dict[str, Any]:
    return {
        "since_cleared": _monitors_json(said.since_cleared),
        "this_cycle": _monitors_json(said.this_cycle),
    }


def _monitors_json(said: Monitors | None) -> Mapping[str, Any] | None:
    if said is None:
        return None
    return {
        "lamp_on": said.lamp_on, "codes": said.codes,
        "recirculation_supported": said.egr_supported,
        "recirculation_complete": said.egr_complete,
    }  # fmt: skip
