"""All rules over one block: who is eligible, what failed, which alerts changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from sootsayer.derive.balance import FlowBalance
from sootsayer.derive.frames import FRAME_MS, FRAME_S, Block
from sootsayer.derive.keep import Kept
from sootsayer.derive.openings import Flow, Judged
from sootsayer.derive.quantities import Quantities, any_of
from sootsayer.derive.stops import Rest, Stop
from sootsayer.model import Alert, CodeSeen, CodesRead, Episode, FloatArray, Opening
from sootsayer.protocol.codes import link_of, name_of
from sootsayer.rules.book import Rule
from sootsayer.rules.watches import (
    ChanceWatch,
    Finding,
    LevelWatch,
    SightingWatch,
    TimeWatch,
    Watch,
)

# A sound opening must be visible at five standard deviations before it counts as a chance;
# then one that passes its full flow is called missing once in some ten thousand.
POWER_SIGMAS = 5.0
MISSING_SIGMAS = 2.0
AS_ASKED_PCT = 25.0  # missing less than this, the valve is open in spite of its sensor
SHORT_SHARE = 0.5  # of the settled time, as in rule M1
OPENED_POINTS = 5.0  # a valve that moved less than this has not opened
IDLE_BASELINE_STOPS = 8  # warm stops before the car's own steadiness counts as known
WATCHES: dict[str, type[TimeWatch] | type[ChanceWatch] | type[LevelWatch]] = {
    "time": TimeWatch,
    "chances": ChanceWatch,
    "level": LevelWatch,
}


@dataclass(frozen=True, slots=True)
class Chance:
    """One opportunity as a rule sees it."""

    start_ms: int
    end_ms: int
    failed: bool
    measure: float
    fact: str
    circumstances: dict[str, float]


@dataclass(frozen=True, slots=True)
class Seen:
    """Everything one block brought, for the rules."""

    q: Quantities
    openings: list[Judged]
    stops: list[Stop]
    rests: list[Rest]
    balance: FlowBalance
    trip: int
    engine_s: float
    gaps: list[tuple[int, int]]
    context: dict[str, float]


class Rules(Kept):
    """Every rule's watch and what they need to remember between blocks."""

    kept = ("watches", "codes", "runs", "idle_sds", "trips_looked")

    def __init__(self, book: Mapping[str, Rule], spark_ignition: bool) -> None:
        self.book = dict(book)
        self._spark_ignition = spark_ignition
        self.watches: dict[str, Watch] = {
            name: WATCHES[rule.counts](rule)
            for name, rule in book.items()
            if rule.counts in WATCHES
        }
        self.codes: dict[str, SightingWatch] = {}
        self.runs: dict[str, list[int]] = {}  # rule → [frames failing in a row, start_ms]
        self.idle_sds: list[float] = []
        self.trips_looked: list[int] = []  # trips in which codes were read

    def recall(self, state: dict[str, Any]) -> None:
        for code in state["codes"]:
            self._code_watch(code)
        super().recall(state)

    def all_watches(self) -> list[Watch]:
        return [*self.watches.values(), *self.codes.values()]

    def open_alerts(self) -> list[Alert]:
        current = [watch.current() for watch in self.all_watches()]
        return [alert for alert in current if alert is not None]

    # ------------------------------------------------------------ one block

    def step(self, seen: Seen) -> tuple[list[Alert], list[Episode]]:
        alerts: list[Alert] = []
        episodes: list[Episode] = []
        for name, watch in self.watches.items():
            if isinstance(watch, TimeWatch):
                finding = self._time(name, watch, seen, episodes)
                _keep(alerts, watch.settle(finding, seen.q.block.end_ms))
            elif isinstance(watch, ChanceWatch):
                for chance in self._chances(watch.rule, seen):
                    self._add_chance(watch, chance, seen, alerts, episodes)
            elif isinstance(watch, LevelWatch):
                finding = _leak(watch, seen)
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
            chance.circumstances,
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
        gate = self._gate(watch.rule.gate, seen.q)
        value = seen.q.states["neutral"] if watch.rule.quantity == "neutral" else seen.q.asked
        eligible = (gate == 1) & ~np.isnan(value)
        failing = eligible & _beyond(watch.rule, value)
        failing_s = self._lasting(watch.rule, failing, block, episodes)
        return watch.add(
            block.start_ms, block.end_ms, float(np.count_nonzero(eligible)) * FRAME_S,
            failing_s, seen.trip,
        )  # fmt: skip

    def _gate(self, name: str, q: Quantities) -> FloatArray:
        if name != "ask forbidden":
            return q.states[name]
        if not self._spark_ignition:
            return np.full(len(q.asked), np.nan)
        wrong = [q.states[s] for s in ("wide open", "cranking", "cold", "idle in neutral")]
        return any_of(wrong)

    def _lasting(
        self,
        rule: Rule,
        failing: np.ndarray[Any, np.dtype[np.bool_]],
        block: Block,
        episodes: list[Episode],
    ) -> float:
        """Seconds that failed, counted only once failing has lasted; runs go on across blocks."""
        run = self.runs.setdefault(rule.name, [0, 0])
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

    # ------------------------------------------------------------ chances

    def _chances(self, rule: Rule, seen: Seen) -> list[Chance]:
        if rule.measure == "idle":
            return [self._idle(rule, stop, seen.context) for stop in seen.stops]
        if rule.measure == "shut":
            return [_shut(rule, rest, seen.context) for rest in seen.rests]
        judge = {
            "follow": _follow, "flow": _flow, "pressure": _pressure,
            "flow when short": _flow_when_short,
        }[rule.measure]  # fmt: skip
        chances = [judge(rule, judged) for judged in seen.openings]
        return [chance for chance in chances if chance is not None]

    def _idle(self, rule: Rule, stop: Stop, context: dict[str, float]) -> Chance:
        limit = rule.limit("fail_above")
        if len(self.idle_sds) >= IDLE_BASELINE_STOPS:
            usual = sorted(self.idle_sds)[len(self.idle_sds) // 2]
            limit = max(limit, rule.limit("baseline_factor") * usual)
        failed = stop.rpm_sd > limit
        if not failed and not self.watches[rule.name].open:
            # The baseline learns from steady stops alone and rests while the engine is accused.
            self.idle_sds = [*self.idle_sds, stop.rpm_sd][-40:]
        fact = f"idle speed wandered by {stop.rpm_sd:.0f} rpm"
        return Chance(stop.start_ms, stop.end_ms, failed, stop.rpm_sd, fact, context)


def _keep(alerts: list[Alert], alert: Alert | None) -> None:
    if alert is not None:
        alerts.append(alert)


def _beyond(rule: Rule, value: FloatArray) -> np.ndarray[Any, np.dtype[np.bool_]]:
    if "below" in rule.limits:
        return value < rule.limit("below")
    return value > rule.limit("above")


def _follow(rule: Rule, judged: Judged) -> Chance | None:
    if not judged.measured or judged.settled_frames < 2 or judged.opening.moved_pct is None:
        return None
    short = judged.short_frames >= judged.over_frames
    off_pct = 100 * max(judged.short_frames, judged.over_frames) / judged.settled_frames
    opening = judged.opening
    failed = off_pct > rule.limit("fail_above")
    fact = f"asked {opening.asked_pct:.0f} %, moved {opening.moved_pct:.0f} points"
    if failed:
        fact += ", short" if short else ", too far"
    return _chance(opening, failed, off_pct, fact)


def _missing_pct(flow: Flow, due_g_s: float) -> float | None:
    """Share of the due flow that is missing, None where a sound flow could not have been seen."""
    if due_g_s < POWER_SIGMAS * flow.sd_g_s:
        return None
    return 100 * (1 - flow.flow_g_s / due_g_s)


def _is_missing(rule: Rule, missing_pct: float, sd_pct: float) -> bool | None:
    """Above the rule's limit, or surely below it; None in between, where neither is shown."""
    if missing_pct > rule.limit("fail_above"):
        return True
    return False if 100 - missing_pct > MISSING_SIGMAS * sd_pct else None


def _chance(opening: Opening, failed: bool | None, measure: float, fact: str) -> Chance | None:
    if failed is None:
        return None
    return Chance(opening.start_ms, opening.end_ms, failed, round(measure, 1), fact,
                  dict(opening.context))  # fmt: skip


def _flow(rule: Rule, judged: Judged) -> Chance | None:
    flow = judged.flow
    if flow is None or _stayed_shut(judged.opening):
        return None
    missing_pct = _missing_pct(flow, flow.due_g_s)
    if missing_pct is None:
        return None
    failed = _is_missing(rule, missing_pct, 100 * flow.sd_g_s / flow.due_g_s)
    return _chance(judged.opening, failed, missing_pct, _said(flow, flow.due_g_s))


def _stayed_shut(opening: Opening) -> bool:
    """Whether the position says that the valve did not open: then flow had no chance."""
    return opening.moved_pct is not None and opening.moved_pct < OPENED_POINTS


def _said(flow: Flow, due_g_s: float) -> str:
    return (
        f"gas displaced {flow.flow_g_s:.1f} ± {flow.sd_g_s:.1f} g/s of air "
        f"where {due_g_s:.1f} is due"
    )


def _flow_when_short(rule: Rule, judged: Judged) -> Chance | None:
    """Whether a valve that reads short passes no gas, or on the contrary as much as was asked.

    Some gas, as a half-open valve gives, neither proves nor disproves its reading.
    """
    flow = judged.flow
    if not judged.measured or flow is None:
        return None
    if judged.short_frames <= SHORT_SHARE * judged.settled_frames:
        return None
    missing_pct = _missing_pct(flow, flow.due_asked_g_s)
    if missing_pct is None:
        return None
    failed = _is_missing(rule, missing_pct, 100 * flow.sd_g_s / flow.due_asked_g_s)
    if not failed and missing_pct > AS_ASKED_PCT:
        return None
    said = f"{_said(flow, flow.due_asked_g_s)}, while the position stayed short"
    return _chance(judged.opening, failed, missing_pct, said)


def _pressure(rule: Rule, judged: Judged) -> Chance | None:
    """Manifold pressure as second opinion: its step at the edge, else its level over the opening
    against what this throttle and speed give with the valve shut."""
    opening = judged.opening
    if _stayed_shut(opening):
        return None
    step, sd, due = opening.map_step_kpa, opening.map_step_sd_kpa, opening.map_step_due_kpa
    if step is not None and sd is not None and due is not None and due >= POWER_SIGMAS * sd:
        missing_pct = 100 * (1 - step / due)
        failed = _is_missing(rule, missing_pct, 100 * sd / due)
        fact = f"manifold pressure stepped {step:+.1f} kPa where {due:.1f} is due"
        return _chance(opening, failed, missing_pct, fact)
    if judged.cross is None:
        return None
    pressed = _missing_pct(judged.cross, judged.cross.due_g_s)
    if pressed is None:
        return None
    failed = _is_missing(rule, pressed, 100 * judged.cross.sd_g_s / judged.cross.due_g_s)
    said = _said(judged.cross, judged.cross.due_g_s)
    return _chance(opening, failed, pressed, f"by manifold pressure at this throttle, {said}")


def _shut(rule: Rule, rest: Rest, context: dict[str, float]) -> Chance:
    open_pct = 100 * rest.open_share
    failed = open_pct > rule.limit("fail_above")
    fact = f"open for {open_pct:.0f} % of the time it was asked shut"
    return Chance(rest.start_ms, rest.end_ms, failed, round(open_pct, 1), fact, context)


def _leak(watch: LevelWatch, seen: Seen) -> Finding | None:
    leak = seen.balance.leak_g_s()
    idle = seen.balance.idle_air_g_s
    if leak is None or np.isnan(idle) or seen.engine_s <= 0:
        return None
    value, sd = leak
    whole = max(idle + max(value, 0.0), 0.1)
    return watch.add(
        seen.q.block.start_ms, seen.q.block.end_ms, 100 * value / whole, 100 * sd / whole,
        seen.balance.rows,
    )  # fmt: skip
