"""What a control unit says seldom: results of its own tests, readiness, counters since clearing.

Such readings come once a trip and their exact integers matter, so they bypass the frames and are
handed over one by one with the block in which they were said.
"""

from __future__ import annotations

from dataclasses import dataclass

from sootsayer.model import Batch, Identity, Scaling

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
        self._waiting: list[Told] = []

    def feed(self, batch: Batch, done_ms: int | None) -> None:
        for series in batch.series:
            channel = series.channel
            if channel in COUNTERS or channel == STATUS or channel.startswith(RESULTS):
                self._waiting += [
                    Told(t_ms, channel, raw, series.scaling)
                    for t_ms, raw in zip(series.t_ms.tolist(), series.raw.tolist(), strict=True)
                    if done_ms is None or t_ms > done_ms
                ]

        self._waiting += [
            Told(event.t_ms, event.key, DOUBTS[event.value], OWN)
            for event in batch.events
            if isinstance(event, Identity)
            and event.unit == RECORDER
            and event.value in DOUBTS
            and (done_ms is None or event.t_ms > done_ms)
        ]

    def take(self, upto_ms: int) -> list[Told]:
        """What was said up to here, oldest first."""
        if not self._waiting:
            return []
        due = [told for told in self._waiting if told.t_ms <= upto_ms]
        self._waiting = [told for told in self._waiting if told.t_ms > upto_ms]
        return sorted(due, key=lambda told: (told.t_ms, told.channel))
