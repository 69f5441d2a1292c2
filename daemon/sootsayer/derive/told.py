"""What a control unit says seldom: results of its own tests, readiness, counters since clearing.

Such readings come once a trip and their exact integers matter, so they bypass the frames and are
handed over one by one with the block in which they were said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sootsayer.model import Batch, BoolArray, Identity, IntArray, Scaling, Series

# Counters that only a clearing of codes makes smaller (SAE J1979 PIDs 30, 31, 4E).
COUNTERS = {
    "warm_ups": "warm-ups since codes were cleared",
    "clr_dist": "distance since codes were cleared",
    "clr_time": "engine time since codes were cleared",
}
STATUS = "monitor_status"  # PID 01
# What the recorder says of itself, as Identity events of this unit.
RECORDER, CLOCK, ROOM = "recorder", "clock", "room"
SET, UNSET = "set", "not set"
WIDE, SHORT = "wide", "short"
DOUBTS = {UNSET: 1, SHORT: 1, SET: 0, WIDE: 0}
OWN = Scaling("recorder's own word", 1.0, 0.0, "")
RESULTS = ("mid31_", "mid32_", "mid33_", "mid34_")  # recirculation's monitors in service 06


@dataclass(frozen=True, slots=True)
class Told:
    """One seldom reading as it was sent."""

    t_ms: int
    channel: str
    raw: int
    scaling: Scaling


class Telling:
    """Holds seldom readings back until their block is worked on. Keeps nothing over a restart:
    readings after the last finished block are fed again."""

    def __init__(self) -> None:
        self._readings: list[Series] = []
        self._own_words: list[Told] = []

    def feed(self, batch: Batch, done_ms: int | None) -> None:
        for series in batch.series:
            channel = series.channel
            if channel in COUNTERS or channel == STATUS or channel.startswith(RESULTS):
                fresh = series if done_ms is None else _split(series, done_ms)[1]
                if len(fresh.t_ms):
                    self._readings.append(fresh)
        self._own_words += [
            Told(event.t_ms, event.key, DOUBTS[event.value], OWN)
            for event in batch.events
            if isinstance(event, Identity)
            and event.unit == RECORDER
            and event.value in DOUBTS
            and (done_ms is None or event.t_ms > done_ms)
        ]

    def take(self, upto_ms: int) -> list[Told]:
        """What was said up to here, oldest first. Of what a control unit repeats unchanged only
        the first and the last time: a monitor's status may be asked for ten times a second."""
        if not self._readings and not self._own_words:
            return []
        due = [told for told in self._own_words if told.t_ms <= upto_ms]
        self._own_words = [told for told in self._own_words if told.t_ms > upto_ms]
        parts = [_split(series, upto_ms) for series in self._readings]
        self._readings = [later for _, later in parts if len(later.t_ms)]
        due += _news([now for now, _ in parts])
        return sorted(due, key=lambda told: (told.t_ms, told.channel))


def _split(series: Series, upto_ms: int) -> tuple[Series, Series]:
    """What was said up to there, and what later."""
    cut = int(np.searchsorted(series.t_ms, upto_ms, "right"))
    channel, scaling, t_ms, raw = series.channel, series.scaling, series.t_ms, series.raw
    return (Series(channel, scaling, t_ms[:cut], raw[:cut]),
            Series(channel, scaling, t_ms[cut:], raw[cut:]))  # fmt: skip


def _news(due: Sequence[Series]) -> list[Told]:
    """All readings at stamps at which any of them changed, began or ended. A result and its
    limits share a stamp, so what was said at such a stamp belongs together."""
    news_ms = {t_ms for series in due for t_ms in series.t_ms[_changes(series.raw)].tolist()}
    return [
        Told(t_ms, series.channel, raw, series.scaling)
        for series in due
        for t_ms, raw in zip(series.t_ms.tolist(), series.raw.tolist(), strict=True)
        if t_ms in news_ms
    ]


def _changes(raw: IntArray) -> BoolArray:
    """Where a value differs from the one before; also the first and the last."""
    news = np.ones(len(raw), dtype=np.bool_)
    news[1:-1] = raw[1:-1] != raw[:-2]
    return news
