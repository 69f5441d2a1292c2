"""All rules over one block: who is eligible, what failed, which alerts changed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from sootsayer.derive.frames import FRAME_MS, FRAME_S, Block
from sootsayer.derive.keep import Kept
from sootsayer.model import Alert, CodeSeen, CodesRead, Episode, FloatArray
from sootsayer.protocol.codes import link_of, name_of
from sootsayer.rules.book import Rule
from sootsayer.rules.own import known_names
from sootsayer.rules.registry import CHANCES, GATES, LEVELS, QUANTITIES, STATES, gate, quantity
from sootsayer.rules.seen import Chance, Seen
from sootsayer.rules.watches import (
    ChanceWatch,
    Finding,
    LevelWatch,
    SightingWatch,
    TimeWatch,
    Watch,
)

WATCHES: dict[str, type[TimeWatch] | type[ChanceWatch] | type[LevelWatch]] = {
    "time": TimeWatch,
    "chances": ChanceWatch,
    "level": LevelWatch,
}


class Rules(Kept):
    """Every rule's watch and what they need to remember between blocks."""

    kept = ("watches", "codes", "runs", "trips_looked")

    def __init__(self, book: Mapping[str, Rule]) -> None:
        self.book = dict(book)
        known_names(self.book, (*STATES, *GATES), tuple(QUANTITIES), tuple(CHANCES), tuple(LEVELS))
        self.watches: dict[str, Watch] = {
            name: WATCHES[rule.counts](rule)
            for name, rule in book.items()
            if rule.counts in WATCHES
        }
        self.codes: dict[str, SightingWatch] = {}
        self.runs: dict[str, list[int]] = {}  # rule → [frames failing in a row, start_ms]
        self.trips_looked: list[int] = []  # trips in which codes were read

    def recall(self, state: dict[str, Any]) -> None:
        for code in state["codes"]:
            self._code_watch(code)
        super().recall(state)

    def all_watches(self) -> list[Watch]:
        return [*self.watches.values(), *self.codes.values()]

    def accused(self) -> frozenset[str]:
        """Rules whose alert is open."""
        watches = (*self.watches.values(), *self.codes.values())
        return frozenset([watch.rule.name for watch in watches if watch.alert is not None])

    def open_alerts(self) -> list[Alert]:
        current = [watch.current() for watch in self.all_watches()]
        return [alert for alert in current if alert is not None]

    # ------------------------------------------------------------ one block

    def step(self, seen: Seen) -> tuple[list[Alert], list[Episode]]:
        alerts: list[Alert] = []
        episodes: list[Episode] = []
        for name, watch in self.watches.items():
            if isinstance(watch, ChanceWatch):
                for chance in CHANCES[watch.rule.measure](watch.rule, seen):
                    self._add_chance(watch, chance, seen, alerts, episodes)
            elif isinstance(watch, TimeWatch):
                finding = self._time(name, watch, seen, episodes)
                _keep(alerts, watch.settle(finding, seen.q.block.end_ms))
            elif isinstance(watch, LevelWatch):
                finding = _level(watch, seen)
                _keep(alerts, watch.settle(finding, seen.q.block.end_ms))
        return alerts, episodes

    def _add_chance(
        self,
        watch: ChanceWatch,
        chance: Chance,
        seen: Seen,
        alerts: list[Alert],
        episodes: list[Episode],
    ) -> None:
        finding = watch.add(
            chance.start_ms, chance.end_ms, chance.failed, chance.measure, seen.trip,
            chance.circumstances, chance.fact,
        )  # fmt: skip
        _keep(alerts, watch.settle(finding, seen.q.block.end_ms))
        episodes.append(
            Episode(watch.rule.name, chance.start_ms, chance.end_ms, chance.failed,
                    chance.measure, chance.fact)
        )  # fmt: skip

    def code_events(self, events: list[CodeSeen | CodesRead], trip: int) -> list[Alert]:
        """Take in what control units said of stored codes."""
        alerts: list[Alert] = []
        for event in events:
            if isinstance(event, CodeSeen):
                if link_of(event.code) is None:
                    continue
                watch = self._code_watch(event.code)
                finding = watch.add(event.t_ms, trip, event.status.value, event.unit)
                _keep(alerts, watch.settle(finding, event.t_ms))
            else:
                if trip not in self.trips_looked:
                    self.trips_looked = [*self.trips_looked, trip][-200:]
                for watch in self.codes.values():
                    _keep(alerts, watch.settle(watch.look(trip), event.t_ms))
        return alerts

    def _code_watch(self, code: str) -> SightingWatch:
        if code not in self.codes:
            link = link_of(code)
            self.codes[code] = SightingWatch(self.book["C1"], code, name_of(code), link)
            self.codes[code].trips_looked = list(self.trips_looked)
        return self.codes[code]

    # ------------------------------------------------------------ time

    def _time(
        self, name: str, watch: TimeWatch, seen: Seen, episodes: list[Episode]
    ) -> Finding | None:
        block = seen.q.block
        if watch.rule.quantity == "gap":
            gap_s = sum(end - start for start, end in seen.gaps) / 1000
            for start, end in seen.gaps:
                fact = f"no readings for {(end - start) / 1000:.0f} s"
                episodes.append(Episode(name, start, end, True, (end - start) / 1000, fact))
            return watch.add(block.start_ms, block.end_ms, seen.engine_s + gap_s, gap_s, seen.trip)
        value = quantity(watch.rule.quantity, seen)
        eligible = (gate(watch.rule.gate, seen) == 1) & (value == value)  # nor unknown
        frames = int(np.count_nonzero(eligible))
        run = self.runs.setdefault(name, [0, 0])
        if not frames and not run[0]:
            return None
        failing = eligible & _beyond(watch.rule, value) if frames else eligible
        failing_s = self._lasting(watch.rule, failing, block, episodes)
        return watch.add(block.start_ms, block.end_ms, frames * FRAME_S, failing_s, seen.trip)

    def _lasting(
        self,
        rule: Rule,
        failing: np.ndarray[Any, np.dtype[np.bool_]],
        block: Block,
        episodes: list[Episode],
    ) -> float:
        """Seconds that failed, counted only once failing has lasted; runs go on across blocks."""
        run = self.runs[rule.name]
        if not run[0] and not failing.any():
            return 0.0
        lasting = max(1, round(rule.limit("lasting_s") / FRAME_S))
        if not block.contiguous:
            self._end_run(rule, run, lasting, block.start_ms, episodes)
        counted = 0
        for index, fails in enumerate(failing.tolist()):
            begin_ms = block.start_ms + index * FRAME_MS
            if not fails:
                self._end_run(rule, run, lasting, begin_ms, episodes)
                continue
            if not run[0]:
                run[1] = begin_ms
            run[0] += 1
            counted += lasting if run[0] == lasting else run[0] > lasting
        return counted * FRAME_S

    def _end_run(
        self, rule: Rule, run: list[int], lasting: int, end_ms: int, episodes: list[Episode]
    ) -> None:
        if run[0] >= max(lasting, 2):
            length_s = run[0] * FRAME_S
            fact = f"for {length_s:.0f} s"
            episodes.append(Episode(rule.name, run[1], end_ms, True, length_s, fact))
        run[0] = 0


def _keep(alerts: list[Alert], alert: Alert | None) -> None:
    if alert is not None:
        alerts.append(alert)


def _beyond(rule: Rule, value: FloatArray) -> np.ndarray[Any, np.dtype[np.bool_]]:
    if "below" in rule.limits:
        return value < rule.limit("below")
    return value > rule.limit("above")


def _level(watch: LevelWatch, seen: Seen) -> Finding | None:
    level = LEVELS[watch.rule.measure](watch.rule, seen)
    if level is None:
        return None
    return watch.add(seen.q.block.start_ms, seen.q.block.end_ms, *level)
