"""All that the first page says, as one answer: the verdict in the words of ``judge --json``,
what the recorder is doing, the last ten minutes and the newest alerts."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sootsayer.model import Link, LinkState, SourceState
from sootsayer_web.alerts import alerts_answer
from sootsayer_web.limits import Limits
from sootsayer_web.recent import recent_answer
from sootsayer_web.recorder import health_note, last_reading_ms, recorder_answer
from sootsayer_web.records import OpenArchive, Records
from sootsayer_web.waiting import first_steps, is_first_day

LISTS = ("causes", "circumstances", "sure", "notes", "repairs")
PINNED = ("vehicle", "span", "links", "causes", "next_check", "circumstances", "sure",
          "repairs")  # fmt: skip
SPOKEN = ("sentence", "why", "learned", "notes")
NOTHING_YET = "Nothing can be said yet."


def now_answer(records: Records, limits: Limits) -> dict[str, Any]:
    """The whole answer of ``/api/v1/now``. The same keys whether much or nothing is known."""
    archive = records.open()
    known = head_answer(records, archive, limits)
    return known | {
        "alerts": alerts_answer(archive)[: limits.newest_alerts],
        "recent": recent_answer(archive, _recent_end_ms(archive, known["recorder"]), limits),
    }


def head_answer(records: Records, archive: OpenArchive | None, limits: Limits) -> dict[str, Any]:
    """The part that every page needs for its head: verdict, recorder and the present trip."""
    recorder = recorder_answer(records, archive, limits)
    verdict = _verdict(archive)
    first_day = is_first_day(verdict, limits)
    return verdict | {
        "recorder": recorder,
        "trip": _open_trip(archive),
        "first_steps": first_steps(recorder, verdict) if first_day else [],
    }


def _verdict(archive: OpenArchive | None) -> dict[str, Any]:
    found = archive.reader.verdict() if archive is not None else None
    if found is None:
        return _empty_verdict()
    verdict = {key: found.get(key, empty) for key, empty in _empty_verdict().items()}
    if not (verdict["span"] or {}).get("start"):
        verdict["span"] = None
    return verdict


def _empty_verdict() -> dict[str, Any]:
    unseen = [
        {"link": str(link), "state": str(LinkState.UNSEEN), "chances": 0, "failed": 0,
         "eligible_s": 0.0, "fact": ""}
        for link in Link
    ]  # fmt: skip
    empty: dict[str, Any] = dict.fromkeys((*PINNED, *SPOKEN))
    lists: dict[str, Any] = {key: [] for key in LISTS}
    return empty | lists | {
        "vehicle": "", "links": unseen, "learned": {}, "sentence": NOTHING_YET, "why": "",
    }  # fmt: skip


def _open_trip(archive: OpenArchive | None) -> dict[str, Any] | None:
    trips = archive.reader.trips() if archive is not None else []
    if not trips or not trips[-1].open:
        return None
    return {"number": trips[-1].number, "running_s": trips[-1].running_s}


def _recent_end_ms(archive: OpenArchive | None, recorder: Mapping[str, Any]) -> int | None:
    """Now while the car is being read, else its last reading: never ten minutes of nothing."""
    if archive is None:
        return None
    if recorder["state"] == SourceState.READING:
        return archive.times.now_ms()
    return last_reading_ms(archive.reader, health_note(archive.reader))
