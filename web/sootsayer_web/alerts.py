"""Alerts as they are answered and shown, in the words of ``judge --json`` and a few more."""

from __future__ import annotations

import math
from typing import Any

from sootsayer.model import AlertState, Episode, Link, SootsayerError
from sootsayer.store.reader import AlertRow
from sootsayer_web.records import OpenArchive, Times


def alerts_answer(
    archive: OpenArchive | None, link: str | None = None, state: str | None = None
) -> list[dict[str, Any]]:
    """All alerts, newest evidence first. SootsayerError for a link or state that is none."""
    chosen_link = _member(Link, link, "link")
    chosen_state = _member(AlertState, state, "state")
    if archive is None:
        return []
    rows = archive.reader.alerts(link=chosen_link, state=chosen_state)
    return [alert_answer(archive.times, row) for row in rows]


def _member(kind: Any, text: str | None, name: str) -> Any:
    if not text:
        return None
    if text not in list(kind):
        raise SootsayerError(f"{name} is {text!r}: choose one of {', '.join(kind)}")
    return kind(text)


def finite(value: float | None) -> float | None:
    """The figure, or None where there is none: JSON knows no NaN."""
    return value if value is not None and math.isfinite(value) else None


def alert_answer(times: Times, row: AlertRow) -> dict[str, Any]:
    """One alert as JSON; times UTC."""
    alert = row.alert
    return {
        "id": row.id,
        "rule": alert.rule,
        "link": str(alert.link) if alert.link else None,
        "state": str(alert.state),
        "first": times.iso(alert.first_ms),
        "raised": times.iso(alert.raised_ms),
        "last": times.iso(alert.last_ms),
        "cleared": times.iso(alert.cleared_ms),
        "seen": alert.seen,
        "chances": alert.chances,
        "eligible_s": alert.eligible_s,
        "measure": finite(alert.measure),
        "limit": finite(alert.limit),
        "unit": alert.unit,
        "title": alert.title,
        "text": alert.text,
        "channels": list(alert.channels),
        "doubt": alert.doubt,
    }


def episode_answer(times: Times, episode: Episode) -> dict[str, Any]:
    """One chance that the rule judged."""
    return {
        "start": times.iso(episode.start_ms),
        "end": times.iso(episode.end_ms),
        "failed": episode.failed,
        "measure": finite(episode.measure),
        "fact": episode.fact,
    }


def episodes_of(archive: OpenArchive, row: AlertRow) -> list[Episode]:
    """The chances counted for this alert, oldest first, from its first to its last evidence."""
    # "Touches the span" leaves out what only meets its ends, so both ends get a millisecond.
    return archive.reader.episodes(row.alert.rule, row.alert.first_ms - 1, row.alert.last_ms + 1)


def worst_of(episodes: list[Episode], limit: float) -> int | None:
    """Index of the failed episode whose measure lies farthest from the limit; None if none failed.

    Episodes without a measure come after those with one.
    """
    failed = [i for i, episode in enumerate(episodes) if episode.failed]

    def distance(i: int) -> float:
        measure = episodes[i].measure
        return -1.0 if measure is None else abs(measure - limit)

    return max(failed, key=distance, default=None)
