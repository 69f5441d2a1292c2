"""What the page of one alert shows: its chances, one of them chosen, and the channels around it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sootsayer.model import Episode
from sootsayer.store.reader import AlertRow
from sootsayer_web import derived
from sootsayer_web.alerts import alert_answer, episode_answer, episodes_of, finite, worst_of
from sootsayer_web.limits import Limits
from sootsayer_web.records import OpenArchive, Times
from sootsayer_web.strip import make_strip
from sootsayer_web.trace import channel_trace, known_units

ERRORS = ("egr_err", "egr_a_err")


@dataclass(frozen=True, slots=True)
class Stepper:
    """Numbers of the chances one can step to, counted from 1; None where there is none."""

    chosen: int
    count: int
    previous: int | None
    next: int | None
    worst: int | None


def evidence_view(
    archive: OpenArchive, row: AlertRow, chosen: int | None, show_all: bool, limits: Limits
) -> dict[str, Any]:
    """Everything for the template. ``chosen`` counts from 1; without it the newest failure."""
    episodes = episodes_of(archive, row)
    limit = finite(row.alert.limit)
    view: dict[str, Any] = {
        "alert": alert_answer(archive.times, row),
        "episodes": newest_numbered(archive.times, episodes, None if show_all else limits.episodes),
        "count": len(episodes),
        "strip": make_strip(episodes, limit, limits.strip),
        "stepper": None,
    }
    if not episodes:
        return view
    index = choose(episodes, chosen)
    stepper = make_stepper(episodes, index, limit)
    return view | {"stepper": stepper} | _stretch(archive, row, episodes, index, limits)


def choose(episodes: Sequence[Episode], chosen: int | None) -> int:
    """Index of the chance to show: the one asked for if it exists, else the newest failure."""
    if chosen is not None and 1 <= chosen <= len(episodes):
        return chosen - 1
    failed = [i for i, episode in enumerate(episodes) if episode.failed]
    return failed[-1] if failed else len(episodes) - 1


def make_stepper(episodes: Sequence[Episode], index: int, limit: float | None) -> Stepper:
    worst = worst_of(list(episodes), limit if limit is not None else 0.0)
    return Stepper(
        chosen=index + 1,
        count=len(episodes),
        previous=index if index > 0 else None,
        next=index + 2 if index + 1 < len(episodes) else None,
        worst=None if worst is None else worst + 1,
    )


def newest_numbered(
    times: Times, episodes: Sequence[Episode], most: int | None
) -> list[dict[str, Any]]:
    """Chances for the table, newest first, each with its number."""
    first = 0 if most is None else max(0, len(episodes) - most)
    return [
        episode_answer(times, episodes[i]) | {"number": i + 1}
        for i in range(len(episodes) - 1, first - 1, -1)
    ]


def _stretch(
    archive: OpenArchive, row: AlertRow, episodes: Sequence[Episode], index: int, limits: Limits
) -> dict[str, Any]:
    """The stretch around the chosen chance: channels, shading, and values for the table."""
    start_ms, end_ms = around(episodes[index], limits)
    units = known_units(archive.reader)
    channels = [channel for channel in _with_moved(row.alert.channels) if channel in units]
    near = [e for e in episodes if e.end_ms > start_ms and e.start_ms < end_ms]
    plot = {
        "start": archive.times.iso(start_ms),
        "end": archive.times.iso(end_ms),
        "channels": channels,
        "shades": [episode_answer(archive.times, episode) for episode in near],
        "limits": _limits_of(row, channels, units),
    }
    traces = [
        channel_trace(archive, channel, units[channel], start_ms, end_ms, limits.evidence_rows)
        for channel in channels
    ]
    return {
        "episode": episode_answer(archive.times, episodes[index]),
        "plot": plot,
        "plot_json": json.dumps(plot, ensure_ascii=False),
        "columns": [{"label": t["label"], "unit": t["unit"]} for t in traces],
        "values": value_rows(traces),
        "missing": [channel for channel in row.alert.channels if channel not in units],
    }


def _with_moved(channels: Sequence[str]) -> list[str]:
    """The valve's position goes before the error it is rebuilt from: it is what one looks for."""
    found = list(channels)
    errors = [i for i, channel in enumerate(found) if channel in ERRORS]
    if errors:
        found.insert(errors[0], derived.MOVED)
    return found


def around(episode: Episode, limits: Limits) -> tuple[int, int]:
    """The chance with room on both sides, and never a stretch too short to read."""
    room_ms = round(limits.around_s * 1000)
    short_ms = max(0, round(limits.least_s * 1000) - (episode.end_ms - episode.start_ms))
    room_ms = max(room_ms, short_ms // 2)
    return episode.start_ms - room_ms, episode.end_ms + room_ms


def _limits_of(row: AlertRow, channels: Sequence[str], units: dict[str, str]) -> dict[str, float]:
    """The limit belongs into a channel's own plot only when one channel is what is measured:
    the rule draws on that channel alone. Else it stands in the row of chances."""
    limit = finite(row.alert.limit)
    if limit is None or len(channels) != 1 or units[channels[0]] != row.alert.unit:
        return {}
    return {channels[0]: limit}


def value_rows(traces: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """One row for each moment at which any channel has a column: its means, None where none."""
    by_channel = [dict(zip(trace["t_ms"], trace["mean"], strict=True)) for trace in traces]
    moments = sorted({t for values in by_channel for t in values})
    return [{"t_ms": t, "means": [values.get(t) for values in by_channel]} for t in moments]
