"""What goes into a pack: which alerts, and which readings around each.

Readings are taken around the moments of an alert and around the chances that it counts, failed
ones first and the farthest from the limit before the others, up to `MOST_S` an alert. What is left
out is counted and said.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sootsayer.model import Alert, Episode, SootsayerError
from sootsayer.report.pack_readings import Stretch
from sootsayer.store.answers import AlertRow
from sootsayer.store.reader import BEGINNING_MS, END_MS, ArchiveReader
from sootsayer.units import MS_PER_S

AROUND_S = 60.0  # enough to see the engine settle before and after
MOST_S = 7200.0  # an alert: two hours of readings are some megabytes, and nobody reads more
SPAN_MOST_S = 43_200.0  # of a span that is asked for as such: a long day's driving


@dataclass(frozen=True, slots=True)
class Wanted:
    """What was asked for; None: no bound. Log time."""

    alert: int | None = None
    since_ms: int | None = None
    until_ms: int | None = None

    @property
    def whole_span(self) -> Stretch | None:
        """The stretch of which all readings are wanted."""
        if self.since_ms is None or self.until_ms is None:
            return None
        return self.since_ms, self.until_ms

    def touches(self, start_ms: int, end_ms: int) -> bool:
        since_ms = BEGINNING_MS if self.since_ms is None else self.since_ms
        until_ms = END_MS if self.until_ms is None else self.until_ms
        return end_ms > since_ms and start_ms <= until_ms


@dataclass(frozen=True, slots=True)
class AlertEvidence:
    """An alert, all chances it counts, and the stretches whose readings are in the pack."""

    number: int
    alert: Alert
    episodes: tuple[Episode, ...]
    stretches: tuple[Stretch, ...]
    shown: int  # chances whose readings lie in the stretches


def chosen_alerts(reader: ArchiveReader, wanted: Wanted) -> list[AlertEvidence]:
    """Alerts that are wanted, oldest first. Raises SootsayerError for one that is not there."""
    rows = sorted(reader.alerts(), key=lambda row: (row.alert.first_ms, row.id))
    if wanted.alert is not None:
        rows = [row for row in rows if row.id == wanted.alert]
        if not rows:
            known = ", ".join(str(row.id) for row in reader.alerts()) or "none"
            raise SootsayerError(f"alert {wanted.alert}: not in the archive; it has: {known}")
    else:
        rows = [row for row in rows if wanted.touches(row.alert.first_ms, row.alert.last_ms)]
    return [_evidence(reader, row, wanted) for row in rows]


def refuse_long_span(wanted: Wanted) -> None:
    """Raise SootsayerError for a span that is none, or longer than a pack holds."""
    span = wanted.whole_span
    if span is None:
        return
    length_s = (span[1] - span[0]) / MS_PER_S
    if length_s <= 0:
        raise SootsayerError("--since is not before --until; exchange them")
    if length_s > SPAN_MOST_S:
        raise SootsayerError(
            f"--since to --until are {length_s / 3600:.1f} h, a pack holds all readings of at most "
            f"{SPAN_MOST_S / 3600:.0f} h; choose a shorter span, or leave one of the two out for "
            "the readings around alerts alone"
        )


def _evidence(reader: ArchiveReader, row: AlertRow, wanted: Wanted) -> AlertEvidence:
    alert = row.alert
    episodes = tuple(reader.episodes(alert.rule, alert.first_ms - 1, alert.last_ms + 1))
    moments = [alert.first_ms, alert.raised_ms, alert.last_ms]
    if alert.cleared_ms is not None:
        moments.append(alert.cleared_ms)
    inside = [one for one in episodes if wanted.touches(one.start_ms, one.end_ms)]
    spans = [(t_ms, t_ms) for t_ms in moments if wanted.touches(t_ms, t_ms)]
    spans += [(one.start_ms, one.end_ms) for one in _ordered(inside, alert)]
    stretches = taken(spans)
    shown = sum(
        any(start <= one.start_ms and one.end_ms <= end for start, end in stretches)
        for one in episodes
    )
    return AlertEvidence(row.id, alert, episodes, tuple(stretches), shown)


def _ordered(episodes: Sequence[Episode], alert: Alert) -> list[Episode]:
    """Failed chances first, the farthest from the limit before the others, then the newest."""

    def rank(one: Episode) -> tuple[bool, float, int]:
        away = 0.0 if one.measure is None else abs(one.measure - alert.limit)
        return not one.failed, -away, -one.start_ms

    return sorted(episodes, key=rank)


def taken(spans: Iterable[Stretch], most_s: float = MOST_S) -> list[Stretch]:
    """Spans with what is around them, as far as there is room, in the order given; then merged."""
    stretches: list[Stretch] = []
    for start_ms, end_ms in spans:
        wide = round(start_ms - AROUND_S * MS_PER_S), round(end_ms + AROUND_S * MS_PER_S)
        more = merged([*stretches, wide])
        if sum(end - start for start, end in more) <= most_s * MS_PER_S:
            stretches = more
    return stretches


def merged(stretches: Iterable[Stretch]) -> list[Stretch]:
    """The same log times in as few ascending stretches as can be."""
    found: list[Stretch] = []
    for start_ms, end_ms in sorted(stretches):
        if found and start_ms <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end_ms))
        else:
            found.append((start_ms, end_ms))
    return found
