"""What the control unit's own monitors say beside codes (rules C2, C3, C4).

Stateful, since results come once a trip: each rule remembers what it was told before.
"""

from __future__ import annotations

import re
from typing import Any

from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities
from sootsayer.derive.told import COUNTERS, STATUS, Told
from sootsayer.derive.trips import Trips
from sootsayer.protocol.monitor_tests import margin_pct, unlimited
from sootsayer.protocol.readiness import monitors
from sootsayer.rules.book import Rule
from sootsayer.rules.seen import Chance, Seen

MARGINS_REMEMBERED = 12
SHRINKING_LEAST = 4  # results before a direction is believed
FAST_KMH = 40.0
_RESULT = re.compile(r"mid([0-9a-f]{2})_tid([0-9a-f]{2})(_min|_max)?")


class MonitorWatch(Kept):
    """Margins result by result, trips that ought to have completed the monitor, clearings."""

    kept = (
        "parts", "margins", "trip", "seconds", "qualified", "counters", "said", "cleared_trip",
        "counted_trip",
    )  # fmt: skip

    def __init__(self) -> None:
        self.parts: dict[str, list[Any]] = {}  # result → [t_ms, value, least, greatest] so far
        self.margins: dict[str, list[list[float]]] = {}  # result → [[trip, margin %], …]
        self.trip = 0
        self.seconds = [0.0, 0.0, 0.0]  # of this trip: running, fast, idle
        self.qualified = 0  # trips since the monitor was last seen complete, or codes were cleared
        self.counters: dict[str, int] = {}
        self.said = -1  # trip whose readiness was judged
        self.cleared_trip = -1
        self.counted_trip = -1

    # ------------------------------------------------------------ C2

    def results(self, rule: Rule, seen: Seen) -> list[Chance]:
        made = []
        for told in seen.happened.told:
            match = _RESULT.fullmatch(told.channel)
            if match is None:
                continue
            name = f"{match[1]}:{match[2]}"
            part = {"_min": 2, "_max": 3}.get(match[3] or "", 1)
            row = self.parts.get(name)
            if row is None or row[0] != told.t_ms:
                row = self.parts[name] = [told.t_ms, None, None, None]
            row[part] = told.raw
            if None not in row:
                made += self._judge(rule, name, row, told, seen)
        return made

    def _judge(self, rule: Rule, name: str, row: list[Any], told: Told, seen: Seen) -> list[Chance]:
        least, greatest = unlimited(told.scaling, row[2], row[3])
        scale, offset = told.scaling.scale, told.scaling.offset
        margin = margin_pct(
            row[1] * scale + offset,
            None if least is None else least * scale + offset,
            None if greatest is None else greatest * scale + offset,
        )
        if margin is None:
            return []
        before = self.margins.get(name, [])
        if before and before[-1] == [seen.trip, margin]:
            return []  # the same result read again
        margins = self.margins[name] = [*before, [seen.trip, margin]][-MARGINS_REMEMBERED:]
        near = margin < rule.limit("near_pct") and shrinking([m for _, m in margins])
        failed = margin < 0 or near
        monitor, test = name.split(":")
        told_of = "outside its limits" if margin < 0 else f"{margin:.0f} % from its limit"
        if near and margin >= 0:
            told_of += " and coming nearer"
        fact = f"Result {test} of monitor {monitor} was {told_of}"
        return [Chance(told.t_ms, told.t_ms, failed, round(-margin, 1), fact, seen.context)]

    # ------------------------------------------------------------ C3, C4

    def drive(self, q: Quantities, trips: Trips, rule: Rule) -> None:
        """Count this trip's time towards what a monitor needs."""
        if trips.number != self.trip:
            self.trip, self.seconds = trips.number, [0.0, 0.0, 0.0]
        wanted = [rule.limit(n) for n in ("running_least_s", "fast_least_s", "idle_least_s")]
        before = all(s >= w for s, w in zip(self.seconds, wanted, strict=True))
        if before or not trips.open:
            return
        running = q.running()
        for place, states in enumerate((running, running & (q.speed > FAST_KMH),
                                        running & (q.speed < 1.0))):  # fmt: skip
            self.seconds[place] += 0.5 * int(states.sum())
        if all(s >= w for s, w in zip(self.seconds, wanted, strict=True)):
            self.qualified += 1

    def ready(self, rule: Rule, seen: Seen) -> list[Chance]:
        """Once a trip: whether the monitor has completed after enough trips that suit it."""
        made = []
        for told in seen.happened.told:
            if told.channel != STATUS:
                continue
            status = monitors(told.raw)
            if not status.egr_supported:
                continue
            if status.egr_complete:
                self.qualified = 0
            enough = self.qualified >= rule.limit("trips_least")
            if self.said == seen.trip or not (status.egr_complete or enough):
                continue
            self.said = seen.trip
            fact = (
                f"not complete after {self.qualified} trips that suit it"
                if not status.egr_complete
                else "complete"
            )
            failed = not status.egr_complete
            made.append(
                Chance(told.t_ms, told.t_ms, failed, float(self.qualified), fact, seen.context)
            )
        return made

    def cleared(self, rule: Rule, seen: Seen) -> list[Chance]:
        """Each look at the counters since codes were cleared: none of them may fall."""
        made = []
        for told in seen.happened.told:
            if told.channel not in COUNTERS:
                continue
            before = self.counters.get(told.channel)
            self.counters[told.channel] = told.raw
            if before is None or before == told.raw:
                continue
            fell = told.raw < before
            # One clearing lets all counters fall, and a good look a trip is enough.
            if seen.trip == (self.cleared_trip if fell else self.counted_trip):
                continue
            self.counted_trip = seen.trip
            if fell:
                self.cleared_trip, self.qualified, self.margins = seen.trip, 0, {}
            fact = f"{COUNTERS[told.channel]} went from {before} to {told.raw}"
            less = float(max(0, before - told.raw))
            made.append(Chance(told.t_ms, told.t_ms, fell, less, fact, seen.context))
        return made


def shrinking(margins: list[float]) -> bool:
    """Whether the margin falls: the middle of all slopes between two results is negative
    (Theil and Sen), from four results on."""
    if len(margins) < SHRINKING_LEAST:
        return False
    slopes = sorted(
        (margins[j] - margins[i]) / (j - i)
        for i in range(len(margins))
        for j in range(i + 1, len(margins))
    )
    return slopes[len(slopes) // 2] < 0
