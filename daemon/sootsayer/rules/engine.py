"""All rules over one block: who is eligible, what failed, which alerts changed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from sootsayer.derive.balance import FlowBalance
from sootsayer.derive.frames import FRAME_MS, FRAME_S, Block
from sootsayer.derive.keep import Kept
from sootsayer.derive.openings import Judged
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
# then one that passes its full flow is called missing once in some hundred thousand.
POWER_SIGMAS = 5.0
MISSING_SIGMAS = 2.0
MISSING_SHARE = 0.15  # of what is due: published limits of several makers
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

    kept = ("watches", "codes", "runs", "idle_sds")

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
                for watch in self.codes.values():
                    _keep(alerts, watch.settle(watch.look(trip), event.t_ms))
        return alerts

    def _code_watch(self, code: str) -> SightingWatch:
        if code not in self.codes:
            link = link_of(code)
            self.codes[code] = SightingWatch(self.book["C1"], code, name_of(code), link)
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
    off = max(judged.short_frames, judged.over_frames) / judged.settled_frames
    opening = judged.opening
    fact = f"asked {opening.asked_pct:.0f} points, moved {opening.moved_pct:.0f}"
    if off > rule.limit("fail_above"):
        fact += ", short" if short else ", too far"
    return Chance(opening.start_ms, opening.end_ms, off > rule.limit("fail_above"),
                  100 * off, fact, dict(opening.context))  # fmt: skip


def _missing(flow: float, sd: float, due: float) -> bool | None:
    """Whether a flow is missing; None where a sound one could not have been seen."""
    if due < POWER_SIGMAS * sd:
        return None
    return flow <= max(MISSING_SIGMAS * sd, MISSING_SHARE * due)


def _flow(rule: Rule, judged: Judged) -> Chance | None:
    opening, flow = judged.opening, judged.flow
    if flow is None or _stayed_shut(opening):
        return None
    failed = _missing(flow.flow_g_s, flow.sd_g_s, flow.due_g_s)
    if failed is None:
        return None
    fact = (
        f"{flow.flow_g_s:.1f} ± {flow.sd_g_s:.1f} g/s of air displaced by gas "
        f"where {flow.due_g_s:.1f} is due"
    )
    share = 100 * (1 - flow.flow_g_s / flow.due_g_s)
    return Chance(opening.start_ms, opening.end_ms, failed, round(share, 1), fact,
                  dict(opening.context))  # fmt: skip


def _stayed_shut(opening: Opening) -> bool:
    """Whether the position says that the valve did not open: then flow had no chance."""
    return opening.moved_pct is not None and opening.moved_pct < OPENED_POINTS


def _flow_when_short(rule: Rule, judged: Judged) -> Chance | None:
    opening, flow = judged.opening, judged.flow
    if not judged.measured or flow is None:
        return None
    if judged.short_frames <= rule.limit("fail_above") * judged.settled_frames:
        return None
    failed = _missing(flow.flow_g_s, flow.sd_g_s, flow.due_asked_g_s)
    if failed is None:
        return None
    fact = (
        f"{flow.flow_g_s:.1f} ± {flow.sd_g_s:.1f} g/s of air displaced by gas "
        "while the position stayed short"
    )
    return Chance(opening.start_ms, opening.end_ms, failed, flow.flow_g_s, fact,
                  dict(opening.context))  # fmt: skip


def _pressure(rule: Rule, judged: Judged) -> Chance | None:
    """Manifold pressure as second opinion: its step at the edge, else its level over the opening
    against what this throttle and speed give with the valve shut."""
    opening, cross = judged.opening, judged.cross
    if _stayed_shut(opening):
        return None
    step, sd, due = opening.map_step_kpa, opening.map_step_sd_kpa, opening.map_step_due_kpa
    if step is not None and sd is not None and due is not None:
        failed = _missing(step, sd, due)
        if failed is not None:
            fact = f"manifold pressure stepped {step:+.1f} kPa where {due:.1f} is due"
            return Chance(opening.start_ms, opening.end_ms, failed, step, fact,
                          dict(opening.context))  # fmt: skip
    if cross is None:
        return None
    failed = _missing(cross.flow_g_s, cross.sd_g_s, cross.due_g_s)
    if failed is None:
        return None
    fact = (
        f"manifold pressure at this throttle and speed tells of {cross.flow_g_s:.1f} ± "
        f"{cross.sd_g_s:.1f} g/s where {cross.due_g_s:.1f} is due"
    )
    return Chance(opening.start_ms, opening.end_ms, failed, cross.flow_g_s, fact,
                  dict(opening.context))  # fmt: skip


def _shut(rule: Rule, rest: Rest, context: dict[str, float]) -> Chance:
    failed = rest.open_share > rule.limit("fail_above")
    fact = f"open for {100 * rest.open_share:.0f} % of the time it was asked shut"
    return Chance(rest.start_ms, rest.end_ms, failed, 100 * rest.open_share, fact, context)


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
