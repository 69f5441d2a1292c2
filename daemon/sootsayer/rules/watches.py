"""Rolling windows: each watch gathers one rule's evidence and keeps its alert.

An alert is raised when the evidence in the window passes the raise limit with the least
exposure, and ends only when it passes the clear limit, again with exposure. No evidence changes
nothing: silence neither raises nor clears.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, ClassVar

from sootsayer.derive.chance import lower_bound
from sootsayer.derive.keep import Kept
from sootsayer.model import Alert, AlertState, Link
from sootsayer.rules.book import Rule
from sootsayer.units import say_duration

LEAST_CHANCES = 5  # unless a rule states its own
CLEAR_TRIPS = 2
BY_LUCK = 0.02


@dataclass(frozen=True, slots=True)
class Finding:
    """What a window says now."""

    seen: int
    chances: int
    eligible_s: float
    measure: float
    first_ms: int
    last_ms: int
    raised: bool
    cleared: bool
    fact: str = ""


class Watch(Kept, ABC):
    """One rule's alert through its life."""

    kept: ClassVar[tuple[str, ...]] = ("alert",)
    limit_name = ""

    def __init__(self, rule: Rule) -> None:
        self.rule = rule
        self.alert: dict[str, Any] | None = None  # the open alert's figures

    @property
    def open(self) -> bool:
        return self.alert is not None

    def link(self) -> Link | None:
        return self.rule.link

    @abstractmethod
    def exposed(self) -> bool:
        """Whether this rule has had its least exposure: only then its silence means anything."""

    def limit(self) -> float:
        return self.rule.limit(self.limit_name)

    def settle(self, finding: Finding | None, now_ms: int) -> Alert | None:
        """Take a finding into the alert. The alert as it now is, None where nothing changed."""
        if finding is None:
            return None
        if self.alert is None:
            if not finding.raised:
                return None
            self.alert = {"first_ms": finding.first_ms, "raised_ms": now_ms, "told": None}
        told = [finding.seen, finding.chances, round(finding.measure, 3), finding.last_ms]
        if finding.cleared:
            ended = self._alert(finding, AlertState.CLEARED, now_ms)
            self.alert = None
            return ended
        if told == self.alert["told"]:
            return None
        self.alert["told"] = told
        self.alert["figures"] = [
            finding.seen, finding.chances, finding.eligible_s, finding.measure, finding.last_ms,
            finding.fact,
        ]  # fmt: skip
        return self._alert(finding, AlertState.OPEN, None)

    def current(self) -> Alert | None:
        """The open alert with its latest figures."""
        if self.alert is None or "figures" not in self.alert:
            return None
        seen, chances, eligible_s, measure, last_ms, fact = self.alert["figures"]
        first_ms = self.alert["first_ms"]
        finding = Finding(seen, chances, eligible_s, measure, first_ms, last_ms, True, False, fact)
        return self._alert(finding, AlertState.OPEN, None)

    def _alert(self, finding: Finding, state: AlertState, cleared_ms: int | None) -> Alert:
        assert self.alert is not None
        text = self.rule.text.format(
            seen=finding.seen, chances=finding.chances, measure=finding.measure,
            limit=self.limit(), eligible=say_duration(finding.eligible_s), unit=self.rule.unit,
            fact=finding.fact,
        )  # fmt: skip
        return Alert(
            rule=self.rule.name, link=self.link(), state=state,
            first_ms=self.alert["first_ms"], raised_ms=self.alert["raised_ms"],
            last_ms=finding.last_ms, cleared_ms=cleared_ms, seen=finding.seen,
            chances=finding.chances, eligible_s=finding.eligible_s, measure=finding.measure,
            limit=self.limit(), unit=self.rule.unit, title=self.rule.title, text=text,
            channels=self.rule.channels,
        )  # fmt: skip


class TimeWatch(Watch):
    """Share of eligible time, in a window of eligible time. Measure in per cent; counted are
    the window's trips, and those among them whose own share passes the limit."""

    kept: ClassVar[tuple[str, ...]] = (
        "alert",
        "parts",
        "eligible_s",
        "failing_s",
        "total_s",
        "by_trip",
    )
    limit_name = "raise_share"

    def __init__(self, rule: Rule) -> None:
        super().__init__(rule)
        self.parts: deque[list[float]] = deque()  # [start_ms, end_ms, eligible_s, failing_s, trip]
        self.eligible_s = 0.0
        self.failing_s = 0.0
        self.total_s = 0.0
        self.by_trip: dict[str, list[float]] = {}  # trip → [parts, eligible_s, failing_s]

    def limit(self) -> float:
        return 100 * self.rule.limit("raise_share")

    def exposed(self) -> bool:
        return self.total_s >= self.rule.limit("least_s")

    def add(self, start_ms: int, end_ms: int, eligible_s: float, failing_s: float, trip: int) -> (
        Finding | None
    ):  # fmt: skip
        """Take in a stretch; None where it held no eligible time."""
        if eligible_s <= 0 and failing_s <= 0:
            return None
        self.parts.append([start_ms, end_ms, eligible_s, failing_s, trip])
        self._count(self.parts[-1], 1)
        self.eligible_s += eligible_s
        self.failing_s += failing_s
        self.total_s += eligible_s
        window_s = self.rule.limit("window_s")
        while self.eligible_s - self.parts[0][2] >= window_s:
            oldest = self.parts.popleft()
            self._count(oldest, -1)
            self.eligible_s -= oldest[2]
            self.failing_s -= oldest[3]
        return self._finding()

    def trips(self) -> tuple[int, int]:
        """Trips in the window, and those among them that failed by themselves."""
        limit = self.rule.limit("raise_share")
        failed = sum([fails > limit * eligible for _, eligible, fails in self.by_trip.values()])
        return len(self.by_trip), failed

    def _count(self, part: list[float], sign: int) -> None:
        """Enter a part into its trip's sums, or take it out again."""
        sums = self.by_trip.setdefault(str(int(part[4])), [0, 0.0, 0.0])
        sums[0] += sign
        sums[1] += sign * part[2]
        sums[2] += sign * part[3]
        if not sums[0]:
            del self.by_trip[str(int(part[4]))]

    def _finding(self) -> Finding:
        share = self.failing_s / self.eligible_s if self.eligible_s > 0 else 0.0
        first = last = None
        if self.failing_s > 0:
            first = next((part for part in self.parts if part[3] > 0), None)
            last = next((part for part in reversed(self.parts) if part[3] > 0), None)
        trips, bad = self.trips()
        enough = self.eligible_s >= self.rule.limit("least_s")
        enough = enough and trips >= self.rule.limit("least_trips")
        return Finding(
            seen=bad, chances=trips, eligible_s=self.eligible_s,
            measure=100 * min(1.0, share),
            first_ms=int(first[0]) if first else 0,
            last_ms=int(last[1]) if last else 0,
            raised=enough and first is not None and share > self.rule.limit("raise_share"),
            cleared=enough and share < self.rule.limit("clear_share"),
        )  # fmt: skip


class ChanceWatch(Watch):
    """Failures among independent chances. Measure: the middle one of the failed chances' own."""

    kept: ClassVar[tuple[str, ...]] = ("alert", "chances", "total", "failed", "fact", "since")

    def __init__(self, rule: Rule) -> None:
        super().__init__(rule)
        # [start_ms, end_ms, failed, measure, trip, circumstances]
        self.chances: deque[list[Any]] = deque(maxlen=int(rule.limit("window")))
        self.total = 0
        self.failed = 0
        self.fact = ""  # of the newest failed chance
        self.since = 0  # chances since an alert last ended: what ended it is not held up again

    def limit(self) -> float:
        name = "fail_below" if "fail_below" in self.rule.limits else "fail_above"
        return self.rule.limits.get(name, 0.0)

    def exposed(self) -> bool:
        return self.total >= self.least()

    def least(self) -> int:
        """Chances before its silence means anything."""
        return int(self.rule.limits.get("least_chances", LEAST_CHANCES))

    def add(
        self,
        start_ms: int,
        end_ms: int,
        failed: bool,
        measure: float,
        trip: int,
        circumstances: dict[str, float],
        fact: str = "",
    ) -> Finding:
        self.fact = fact if failed else self.fact
        self.chances.append([start_ms, end_ms, failed, measure, trip, circumstances])
        self.total += 1
        self.failed += failed
        self.since += 1
        recent = list(self.chances)[-min(int(self.rule.limit("decide")), self.since) :]
        k, n = sum([chance[2] for chance in recent]), len(recent)
        failing = [chance for chance in self.chances if chance[2]]
        since = self.alert["first_ms"] if self.alert else (failing[0][0] if failing else 0)
        counted = [chance for chance in self.chances if chance[0] >= since]
        failed_since = [chance for chance in failing if chance[0] >= since]
        cleared = self._over(counted, n)
        if cleared and self.open:
            self.since = 0
        return Finding(
            seen=len(failed_since), chances=len(counted), eligible_s=length_s(counted),
            measure=_middle([chance[3] for chance in failed_since]),
            first_ms=int(failing[0][0]) if failing else 0,
            last_ms=int(failing[-1][1]) if failing else 0,
            raised=k >= self.rule.limit("least_failed")
            and lower_bound(k, n) > self.rule.limit("raise_share"),
            cleared=cleared, fact=self.fact,
        )  # fmt: skip

    def _over(self, counted: list[list[Any]], recent: int) -> bool:
        """Whether so many good chances in a row end an alert: as many as the rule asks for, and
        so many as its own rate until then would let pass in one of fifty cases only. What fails
        once in thirty is quiet for an hour by luck. What failed in more than one trip must be
        quiet in two, since what comes and goes with heat or load may stay away for one.

        ``counted``: chances since the alert's first failure, ``recent``: how many decide.
        """
        failed = [chance[2] for chance in counted]
        until = len(failed) - failed[::-1].index(True) if True in failed else 0
        quiet = counted[until:]
        if min(len(quiet), recent) < self.rule.limit("clear_run"):
            return False
        if not until:
            return True
        trips = min(CLEAR_TRIPS, len({chance[4] for chance in counted if chance[2]}), len(quiet))
        by_luck = (1 - sum(failed) / until) ** len(quiet)
        return by_luck < BY_LUCK and len({chance[4] for chance in quiet}) >= trips


def _middle(measures: list[float]) -> float:
    return sorted(measures)[len(measures) // 2] if measures else 0.0


def length_s(chances: Iterable[list[Any]]) -> float:
    return float(sum([chance[1] - chance[0] for chance in chances])) / 1000


class LevelWatch(Watch):
    """An estimate that must stay below a limit, surely and for a while."""

    kept: ClassVar[tuple[str, ...]] = ("alert", "held_s", "first_ms", "value", "sd", "rows")
    limit_name = "raise_above"

    def __init__(self, rule: Rule) -> None:
        super().__init__(rule)
        self.held_s = 0.0
        self.first_ms = 0
        self.value = 0.0
        self.sd = 0.0
        self.rows = 0.0

    def exposed(self) -> bool:
        return self.rows >= self.rule.limit("least_rows")

    def add(
        self, start_ms: int, end_ms: int, value: float, sd: float, rows: float
    ) -> Finding | None:
        """Take in an estimate made over ``rows`` settled readings."""
        self.value, self.sd, self.rows = value, sd, rows
        if not self.exposed():
            return None
        above = value > self.rule.limit("raise_above") and value > self.rule.limit("sigmas") * sd
        if not above:
            self.held_s = 0.0
        elif self.held_s == 0.0:
            self.first_ms = start_ms
        if above:
            self.held_s += (end_ms - start_ms) / 1000
        return Finding(
            seen=1, chances=1, eligible_s=2 * rows, measure=round(value, 0),
            first_ms=self.first_ms, last_ms=end_ms,
            raised=above and self.held_s >= self.rule.limit("hold_s"),
            cleared=value < self.rule.limit("clear_below"),
        )  # fmt: skip


class SightingWatch(Watch):
    """Something a control unit said, trip by trip. One watch per code."""

    kept: ClassVar[tuple[str, ...]] = (
        "alert",
        "trips_seen",
        "trips_looked",
        "last_ms",
        "first_ms",
        "quiet_trips",
        "status",
    )

    def __init__(self, rule: Rule, code: str, name: str, link: Link | None) -> None:
        # Each code is an alert of its own, so the rule carries it in its title.
        super().__init__(replace(rule, title=f"Code {code} stored: {name}"))
        self.code = code
        self._link = link
        self.trips_seen: list[int] = []
        self.trips_looked: list[int] = []
        self.first_ms = 0
        self.last_ms = 0
        self.quiet_trips = 0
        self.status = ""

    def link(self) -> Link | None:
        return self._link

    def limit(self) -> float:
        return 0.0

    def exposed(self) -> bool:
        return bool(self.trips_looked)

    def add(self, t_ms: int, trip: int, status: str, unit: str) -> Finding:
        """The code was reported."""
        self.first_ms = self.first_ms or t_ms
        self.last_ms = t_ms
        self.status = status
        if trip not in self.trips_seen:
            self.trips_seen = [*self.trips_seen, trip][-200:]
        return self._finding(unit, cleared=False)

    def look(self, trip: int) -> Finding | None:
        """Codes were read in this trip, whether or not this one was among them."""
        if trip not in self.trips_looked:
            self.trips_looked = [*self.trips_looked, trip][-200:]
        since = [t for t in self.trips_looked if not self.trips_seen or t > self.trips_seen[-1]]
        if self.alert is None:
            return None
        return self._finding("", cleared=len(since) > self.rule.limit("clear_trips"))

    def _finding(self, unit: str, cleared: bool) -> Finding:
        seen = len(self.trips_seen)
        looked = max(seen, len(self.trips_looked))
        said_by = f" by control unit {unit}" if unit else ""
        trips = "trip" if looked == 1 else "trips"
        fact = (
            f"Code {self.code} was reported as {self.status}{said_by} "
            f"in {seen} of {looked} {trips} in which codes were read."
        )
        if not unit and self.alert and "figures" in self.alert:
            fact = self.alert["figures"][5]
        return Finding(
            seen=seen, chances=looked, eligible_s=0.0, measure=float(seen),
            first_ms=self.first_ms, last_ms=self.last_ms, raised=not cleared, cleared=cleared,
            fact=fact,
        )  # fmt: skip
