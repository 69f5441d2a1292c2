"""Findings on their way to the archive: alarms at once, the rest a minute's worth together.

A trip grows with every ten seconds and openings follow one another; each alone would cost a
transaction of several pages. What is held back here is lost in a power cut and found again: the
readings it rests on are stored, and what the rules remember is never saved ahead of it.
"""

from __future__ import annotations

from sootsayer.model import Alert, AlertState, Changes, Episode, Opening, Trip

Key = tuple[str, int, str]


class Findings:
    """Held back for at most ``hold_ms``. The later word on a finding replaces the earlier."""

    def __init__(self, hold_ms: int) -> None:
        self._hold_ms = hold_ms
        self._known: dict[Key, AlertState] = {}  # states of alerts that were handed on
        self._since_ms: int | None = None
        self._urgent = False
        self._alerts: dict[Key, Alert] = {}
        self._episodes: dict[tuple[str, int], Episode] = {}
        self._trips: dict[int, Trip] = {}
        self._openings: dict[int, Opening] = {}

    def add(self, changes: Changes, now_ms: int) -> bool:
        """Take it up; whether it must not wait: an alert is new or changed its state, or a trip
        ended, after which nobody may be there to write any more."""
        urgent = any(self._known.get(_key(alert)) != alert.state for alert in changes.alerts)
        urgent = urgent or any(not trip.open for trip in changes.trips)
        self._alerts |= {_key(alert): alert for alert in changes.alerts}
        self._episodes |= {(one.rule, one.start_ms): one for one in changes.episodes}
        self._trips |= {trip.number: trip for trip in changes.trips}
        self._openings |= {opening.number: opening for opening in changes.openings}
        if self._since_ms is None and self._any():
            self._since_ms = now_ms
        self._urgent = self._urgent or urgent
        return urgent

    def due(self, now_ms: int) -> bool:
        """Whether the next commit shall take them along."""
        if self._urgent:
            return True
        return self._since_ms is not None and now_ms - self._since_ms >= self._hold_ms

    def take(self) -> Changes:
        """All of them; nothing is held back after that."""
        taken = Changes(
            tuple(self._alerts.values()),
            tuple(self._episodes.values()),
            tuple(self._trips.values()),
            tuple(self._openings.values()),
        )
        self._known |= {key: alert.state for key, alert in self._alerts.items()}
        for held in (self._alerts, self._episodes, self._trips, self._openings):
            held.clear()
        self._since_ms, self._urgent = None, False
        return taken

    def _any(self) -> bool:
        return bool(self._alerts or self._episodes or self._trips or self._openings)


def _key(alert: Alert) -> Key:
    return alert.rule, alert.first_ms, alert.title
