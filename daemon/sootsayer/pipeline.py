"""Batch in, findings out: the same for live readings and for weeks replayed in seconds.

No clock, no I/O, no thread. What is found depends on the readings alone, never on how they
were cut into batches, because work is done in whole blocks on a fixed grid.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from sootsayer.derive.answers import Answers
from sootsayer.derive.balance import FlowBalance
from sootsayer.derive.frames import FRAME_MS, FRAME_S, Block, Framer
from sootsayer.derive.happened import Happenings
from sootsayer.derive.keep import Kept
from sootsayer.derive.motion import Motions
from sootsayer.derive.openings import Openings, opening_column
from sootsayer.derive.quantities import Quantities, Reader
from sootsayer.derive.stop_gas import StopGases
from sootsayer.derive.stops import Rests, Stops
from sootsayer.derive.told import Telling
from sootsayer.derive.trips import TRIP_END_MS, Trips
from sootsayer.judge.architecture import sight_of
from sootsayer.judge.circumstances import comparable, describe
from sootsayer.judge.doubts import spoilt_channels, with_doubt
from sootsayer.judge.explaining import explain
from sootsayer.judge.handwork import PERSON, Handwork
from sootsayer.judge.instead import TRIMS_MOVED
from sootsayer.judge.links import Evidence, flow_not_seen, judge_links
from sootsayer.judge.lookalikes import is_thin, lookalikes
from sootsayer.judge.repair import Repaired, repaired
from sootsayer.judge.sentence import Findings, compose
from sootsayer.judge.sure import say_sure
from sootsayer.judge.tally import Tally
from sootsayer.model import (
    Alert,
    AlertState,
    Batch,
    Changes,
    CodeSeen,
    CodesRead,
    Episode,
    Identity,
    Link,
    Opening,
    Trip,
    Verdict,
)
from sootsayer.rules.book import load_rules
from sootsayer.rules.by_monitor import MonitorWatch
from sootsayer.rules.engine import Rules
from sootsayer.rules.seen import Baselines, Seen
from sootsayer.rules.watches import ChanceWatch
from sootsayer.vehicle import Vehicle

GAP_MS = 5_000  # shorter pauses are polling, not gaps
ENDED_REMEMBERED = 50  # alerts that ended, kept in the verdict
STATE_VERSION = 8
# Circumstances read from channels, in the order in which ``_context`` takes them.
CONTEXT = (
    "ect_c", "iat_c", "ambient_c", "speed_kmh", "rpm", "load_pct", "battery_v", "baro_kpa",
    "fuel_pct",
)  # fmt: skip
HOUR_MS = 3_600_000
DATED_FROM_MS = 1_577_836_800_000  # 2020: before it, log time began without a clock that was set


class Pipeline(Kept):
    """Judges one car."""

    kept = (
        "framer", "reader", "trips", "balance", "cross", "openings", "stops", "rests", "rules",
        "baselines", "tally", "handwork", "happenings", "monitor",
        "motions", "answers", "stop_gases",
    )  # fmt: skip

    def __init__(self, vehicle: Vehicle) -> None:
        self.vehicle = vehicle
        self.framer = Framer()
        self.reader = Reader(vehicle)
        self.trips = Trips()
        compression = not vehicle.spark_ignition
        area_mm2, litres = vehicle.valve_area_mm2, vehicle.displacement_l
        self.balance = FlowBalance(litres, "", compression, area_mm2)
        self.cross = FlowBalance(litres, "throttle", compression, area_mm2)
        self.openings = Openings()
        self.stops = Stops()
        self.rests = Rests()
        self.rules = Rules(load_rules(vehicle.rules))
        self.baselines = Baselines()
        self.happenings = Happenings()
        self.monitor = MonitorWatch()
        self.motions = Motions(by_vacuum=vehicle.valve == "vacuum")
        self.answers = Answers()
        self.stop_gases = StopGases()
        self._telling = Telling()
        self.tally = Tally()
        self.first_ms: int | None = None
        self.last_fresh_ms = 0
        self.ended: list[Alert] = []
        self.handwork = Handwork()
        self._waiting_events: list[CodeSeen | CodesRead] = []
        self._waiting_work: list[Identity] = []

    # ------------------------------------------------------------ in and out

    @property
    def done_ms(self) -> int | None:
        """Everything up to here is judged, None before the first block."""
        return self.framer.next_ms

    def feed(self, batch: Batch) -> Changes:
        """Take in a batch. Changes of all blocks it completed; no verdict (see ``verdict``)."""
        self._waiting_events += [
            event for event in batch.events if isinstance(event, CodeSeen | CodesRead)
        ]
        self._waiting_work += [
            event for event in batch.events if isinstance(event, Identity) and event.unit == PERSON
        ]
        alerts: dict[tuple[str, int, str], Alert] = {}
        episodes: list[Episode] = []
        trips: dict[int, Trip] = {}
        openings: list[Opening] = []
        self._telling.feed(batch, self.framer.next_ms)
        for block in self.framer.feed(batch):
            self._work(block.end_ms)
            self._block(block, alerts, episodes, trips, openings)
        self._work(batch.upto_ms)  # what was done at a standing car counts at once
        return Changes(
            alerts=tuple(alerts.values()), episodes=tuple(episodes),
            trips=tuple(trips.values()), openings=tuple(openings),
        )  # fmt: skip

    def state(self) -> dict[str, Any]:
        """What must survive a restart, ready for JSON. Readings after ``done_ms`` are not in it:
        feed them again from the archive."""
        return {
            "version": STATE_VERSION, **super().state(), "first_ms": self.first_ms,
            "last_fresh_ms": self.last_fresh_ms, "ended": [_alert_state(a) for a in self.ended],
        }  # fmt: skip

    @classmethod
    def restore(cls, vehicle: Vehicle, state: dict[str, Any]) -> Pipeline | None:
        """A pipeline that goes on from a remembered state, None if an older program wrote it:
        then the archive is judged anew from its beginning."""
        if state.get("version") != STATE_VERSION:
            return None
        pipeline = cls(vehicle)
        pipeline.recall(state)
        pipeline.first_ms = state["first_ms"]
        pipeline.last_fresh_ms = state["last_fresh_ms"]
        pipeline.ended = [_alert_from(a) for a in state["ended"]]
        return pipeline

    # ------------------------------------------------------------ one block

    def _block(
        self, block: Block, alerts: dict[tuple[str, int, str], Alert], episodes: list[Episode],
        trips: dict[int, Trip], openings: list[Opening],
    ) -> None:  # fmt: skip
        if self.first_ms is None:
            self.first_ms = block.start_ms
        q = self.reader.read(block)
        running = q.running()
        before = self.trips.number
        gaps = self._gaps(block, running)
        for trip in self.trips.step(block, running, q.speed):
            trips[trip.number] = trip
        if self.trips.number != before:
            self.balance.new_trip()
            self.cross.new_trip()
        number = self.trips.number
        use_position = bool(self.reader.has.get("actual")) and not self.reader.echoes()
        context = self._context(q)
        opening = opening_column(q, use_position)
        accused = self.rules.accused()
        rows = self.balance.step(q, opening, learn="P3M" not in accused)
        # Without an air meter the main balance already rests on the throttle.
        cross_rows = self.cross.step(q, opening) if self.balance.mode == "maf" else None
        judged = self.openings.step(
            q, (rows, cross_rows), (self.balance, self.cross), number, context, use_position
        )
        happened = self.happenings.step(
            q, self.trips, rows, self.balance, self._telling.take(block.end_ms), accused
        )
        self.monitor.drive(q, self.trips, self.rules.book["C3"])
        stops = self.stops.step(q)
        rests = self.rests.step(q, use_position)
        self.tally.step(q, judged, stops)
        self.trips.openings += len(judged)
        seen = Seen(
            q=q, openings=judged, stops=stops, rests=rests,
            balance=self.balance, trip=number,
            engine_s=float(np.count_nonzero(running)) * FRAME_S, gaps=gaps, context=context,
            spark_ignition=self.vehicle.spark_ignition, baselines=self.baselines,
            accused=accused, happened=happened, monitor=self.monitor,
            answers=self.answers.step(q, use_position, context),
            stop_gases=self.stop_gases.step(q, rows, self.balance),
            motion=self.motions.step(
                q, judged, rests, number, use_position, happened.spark
            ),
        )  # fmt: skip
        changed, chances = self.rules.step(seen)
        changed += self._codes(block, number)
        episodes += chances
        openings += [item.opening for item in judged]
        spoilt = self._spoilt() if changed else {}
        for plain in changed:
            alert = with_doubt(plain, self.rules, spoilt, is_thin(self.balance))
            alerts[alert.rule, alert.first_ms, alert.title] = alert
            if alert.state is AlertState.CLEARED:
                self.ended = [*self.ended, alert][-ENDED_REMEMBERED:]

    def _spoilt(self) -> dict[str, str]:
        return spoilt_channels(self.rules, self.balance)

    def _work(self, upto_ms: int) -> None:
        """What people did up to then, always before the block in which it falls."""
        due = [event for event in self._waiting_work if event.t_ms <= upto_ms]
        self._waiting_work = [event for event in self._waiting_work if event.t_ms > upto_ms]
        for event in due:
            if self.handwork.take(event):
                self.baselines.forget()
                self.happenings.forget()
                self.motions.forget()
                self.balance.after_repair()
                self.cross.after_repair()

    def _codes(self, block: Block, trip: int) -> list[Alert]:
        due = [event for event in self._waiting_events if event.t_ms <= block.end_ms]
        self._waiting_events = [e for e in self._waiting_events if e.t_ms > block.end_ms]
        return self.rules.code_events(due, trip)

    def _gaps(self, block: Block, running: np.ndarray[Any, np.dtype[np.bool_]]) -> (
        list[tuple[int, int]]
    ):  # fmt: skip
        """Stretches without readings within a trip; known once the engine is seen running again."""
        gaps: list[tuple[int, int]] = []
        for index in np.flatnonzero((block.fresh > 0) & running).tolist():
            begin_ms = block.start_ms + index * FRAME_MS
            pause_ms = begin_ms - self.last_fresh_ms
            if self.trips.open and GAP_MS < pause_ms <= TRIP_END_MS:
                gaps.append((self.last_fresh_ms, begin_ms))
            self.last_fresh_ms = begin_ms + FRAME_MS
        return gaps

    def _context(self, q: Quantities) -> dict[str, float]:
        """Circumstances at this moment, for the search after what failures have in common."""
        columns = np.array([
            q.ect, q.iat, q.block.column("aat"), q.speed, q.rpm, q.block.column("load_pct"),
            q.block.column("vpwr"), q.baro, q.block.column("fli"),
        ])  # fmt: skip
        known = ~np.isnan(columns)
        means = np.where(known, columns, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
        context = {
            name: round(float(mean), 2)
            for name, mean, any_known in zip(CONTEXT, means, known.any(axis=1), strict=True)
            if any_known
        }
        if q.block.end_ms >= DATED_FROM_MS:
            context["hour"] = round(q.block.end_ms / HOUR_MS % 24, 2)
        if self.trips.open:
            context["minutes"] = round(self.trips.minutes(q.block.end_ms), 2)
            if self.trips.soak_s is not None:
                context["soak_h"] = round(self.trips.soak_s / 3600, 2)
        return context

    # ------------------------------------------------------------ the verdict

    def verdict(self) -> Verdict:
        """All that is known up to the last complete block."""
        channels = frozenset(self.framer.carries)
        evidence = Evidence(self.rules, self.tally, self.reader, self.balance, channels)
        links = judge_links(evidence)
        spoilt = self._spoilt()
        thin = is_thin(self.balance)
        alerts = [with_doubt(a, self.rules, spoilt, thin) for a in self.rules.open_alerts()]
        engine_alerts = [alert for alert in alerts if alert.link is not None]
        position = bool(self.reader.has.get("actual")) and not self.reader.echoes()
        found = {name: result.outcome for name, result in self.handwork.valid_results().items()}
        sight = sight_of(self.vehicle, channels, position)
        signs = frozenset({TRIMS_MOVED} if self.balance.trims.doubted() else ())
        why_so = explain(self.rules, alerts, found, sight, signs)
        causes = why_so.causes
        circumstances = self._circumstances(engine_alerts)
        engine_s = self.trips.engine_s
        repairs = self._repairs()
        sentence, why = compose(
            Findings(
                links, engine_alerts, causes, engine_s, self.trips.number, circumstances,
                self.rules.accused() | signs, thin, repairs, why_so.contradictions,
                {name: rule.noun for name, rule in self.rules.book.items()},
            )
        )  # fmt: skip
        first_ms, done_ms = self.first_ms or 0, self.done_ms or 0
        return Verdict(
            t_ms=done_ms, vehicle=self.vehicle.name, start_ms=first_ms, end_ms=done_ms,
            engine_s=engine_s, trips=self.trips.number, sentence=sentence, why=why, links=links,
            alerts=(*alerts, *reversed(self.ended)), causes=causes,
            next_check=why_so.next_check,
            circumstances=circumstances,
            sure=say_sure(
                links, engine_alerts, self.rules.book, self.tally.openings, engine_s
            ),
            learned=self._learned(), notes=(*why_so.contradictions, *self._notes(evidence)),
            repairs=self._said_of_repairs(repairs),
        )  # fmt: skip

    def _repairs(self) -> tuple[Repaired, ...]:
        """Each rule that had failures before the last repair: before, after, and what follows."""
        repair = self.handwork.last_repair()
        return repaired(self.rules.watches.values(), *repair) if repair else ()

    def _said_of_repairs(self, found: tuple[Repaired, ...]) -> tuple[str, ...]:
        repair = self.handwork.last_repair()
        if repair is None:
            return ()
        nothing = f"“{repair[1]}”: no rule had failed clearly before it."
        return tuple(item.said for item in found) or (nothing,)

    def _circumstances(self, alerts: list[Alert]) -> tuple[str, ...]:
        """What the failures of the first alert have in common of which enough are known."""
        said: tuple[str, ...] = ()
        for alert in sorted(alerts, key=lambda a: list(Link).index(a.link or Link.EFFECT)):
            watch = self.rules.watches.get(alert.rule)
            if isinstance(watch, ChanceWatch):
                told = describe(list(watch.chances), watch.rule.say_chances)
                if comparable(list(watch.chances)):
                    return told
                said = said or told
        return said

    def _learned(self) -> dict[str, float | str]:
        """What the program found out about this car."""
        learned: dict[str, float | str] = {}
        if self.reader.has.get("command"):
            learned["shut_command_pct"] = round(self.reader.shut_pct(), 1)
        if self.balance.ready():
            learned["flow_from"] = {
                "maf": "manifold pressure and air mass",
                "throttle": "manifold pressure and throttle",
            }[self.balance.mode]
            learned["settled_readings"] = round(self.balance.rows)
            learned["scatter_g_s"] = round(self.balance.sigma(), 2)
        leak = self.balance.leak_g_s()
        if leak is not None:
            learned["leak_g_s"], learned["leak_sd_g_s"] = round(leak[0], 2), round(leak[1], 2)
        gain = self.balance.gain_g_s()
        if gain is not None and self.balance.compression:
            learned["fully_open_share_pct"] = round(100 * gain, 1)
        elif gain is not None:
            learned["fully_open_g_s"] = round(gain, 1)
        area = self.balance.effective_area_mm2()
        if area is not None:
            learned["effective_area_mm2"] = round(area[0], 1)
            learned["effective_area_sd_mm2"] = round(area[1], 1)
        first_area = self.balance.first_area_mm2()
        if first_area is not None:
            learned["effective_area_first_mm2"] = round(first_area, 1)
        if not np.isnan(self.balance.idle_air_g_s):
            learned["idle_air_g_s"] = round(self.balance.idle_air_g_s, 2)
        return learned

    def _notes(self, evidence: Evidence) -> tuple[str, ...]:
        """Contradictions between what was stated and what the car shows, and what is missing."""
        has, stated = self.reader.has, self.vehicle
        notes = list(self.handwork.contradictions())
        if has.get("rpm"):
            shown = {(True, True): "both", (True, False): "maf", (False, True): "map"}.get(
                (bool(has.get("maf")), bool(has.get("map")))
            )
            if stated.metering and shown and stated.metering != shown:
                notes.append(
                    f"The vehicle file says metering = {stated.metering}, the car shows {shown}."
                )
            if stated.feedback == "none" and has.get("actual") and not self.reader.echoes():
                notes.append(
                    "The vehicle file says there is no feedback, the car gives a position."
                )
            if not has.get("command"):
                notes.append("This car does not tell what it commands; permit and ask stay unseen.")
        notes += lookalikes(self.rules, self.balance)
        if flow_not_seen(evidence) and has.get("rpm"):
            notes.append(f"Flow cannot be judged: {flow_not_seen(evidence)}.")
        return tuple(notes)


def _alert_state(alert: Alert) -> dict[str, Any]:
    return {name: getattr(alert, name) for name in Alert.__slots__}


def _alert_from(state: dict[str, Any]) -> Alert:
    return Alert(**{
        **state, "link": Link(state["link"]) if state["link"] else None,
        "state": AlertState(state["state"]), "channels": tuple(state["channels"]),
    })  # fmt: skip
