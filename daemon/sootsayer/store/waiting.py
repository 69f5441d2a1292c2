"""What a commit will write beside readings."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, field

from sootsayer.model import Alert, Anchor, Changes, Episode, Gap, Mark, Opening, Scaling, Trip
from sootsayer.store import readings, rows

BOOT_COLUMNS = ("id", "boot_id", "boottime_ms", "offset_ms", "started_ms", "before_ms")


@dataclass(slots=True)
class Waiting:
    """What the next commit will write into tables. Later findings replace earlier ones."""

    boots: list[tuple[int, str, int, int, int, int]] = field(default_factory=list)
    channels: list[tuple[int, str, Scaling]] = field(default_factory=list)
    events: list[tuple[int, rows.Event]] = field(default_factory=list)
    anchors: list[Anchor] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    alerts: dict[tuple[str, int, str], Alert] = field(default_factory=dict)
    episodes: dict[tuple[str, int], Episode] = field(default_factory=dict)
    trips: dict[int, Trip] = field(default_factory=dict)
    openings: dict[int, Opening] = field(default_factory=dict)
    states: dict[str, str] = field(default_factory=dict)

    def anything(self) -> bool:
        return any(getattr(self, name) for name in self.__slots__)

    def find(self, changes: Changes) -> None:
        """Take up what the pipeline found, but for the verdict."""
        self.alerts.update({(a.rule, a.first_ms, a.title): a for a in changes.alerts})
        self.episodes.update({(e.rule, e.start_ms): e for e in changes.episodes})
        self.trips.update({trip.number: trip for trip in changes.trips})
        self.openings.update({opening.number: opening for opening in changes.openings})

    def trip_ended(self) -> bool:
        return any(not trip.open for trip in self.trips.values())

    def write(self, connection: sqlite3.Connection, boot: int | None) -> None:
        """All of it, in the transaction that is open."""
        for row in self.boots:
            rows.insert(connection, "boot", dict(zip(BOOT_COLUMNS, row, strict=True)))
        for number, name, scaling in self.channels:
            readings.add_channel(connection, number, name, scaling)
        for number, event in self.events:
            rows.put_event(connection, number, event)
        for anchor in self.anchors:
            rows.put_anchor(connection, anchor, boot)
        for mark in self.marks:
            rows.put_mark(connection, mark)
        for gap in self.gaps:
            rows.put_gap(connection, gap)
        rows.put_alerts(connection, self.alerts.values())
        rows.put_episodes(connection, self.episodes.values())
        rows.put_trips(connection, self.trips.values())
        rows.put_openings(connection, self.openings.values())
        for name, text in self.states.items():
            rows.put_state(connection, name, text)
