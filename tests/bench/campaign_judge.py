"""Driving the campaign's cars and judging them blind: what became of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from campaign_cases import DIESEL, EXPECTED, FEEDBACK, TRIPS, VALVES, Case, journeys_of

from sootsayer.demo.journeys import Driven, drive
from sootsayer.demo.recording import batches
from sootsayer.derive.chance import lower_bound, upper_bound
from sootsayer.model import (
    Alert,
    AlertState,
    Batch,
    CodeSeen,
    CodeStatus,
    LinkState,
    Verdict,
)
from sootsayer.pipeline import Pipeline
from sootsayer.vehicle import Vehicle

AFTER_TRIP_MS = 300_000
ACCUSED = (LinkState.BROKEN, LinkState.DOUBTFUL)
TRUE_RATE = 1 / 3
COUNTS_OPENINGS = ("F1", "M1", "M8", "F1S")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one car. Trips are counted with their part that was driven: 1.5 is in the
    middle of the second; None is never within the campaign's ``TRIPS``."""

    case: Case
    hours: float
    found_after: float | None
    own_after: float | None  # when the car's own monitor had confirmed a code
    link: str  # first that is broken, or else doubtful; "" none
    causes: tuple[str, ...]
    accused: tuple[str, ...]  # rules with an open alert at the end, those of the recorder not
    opened: tuple[str, ...]  # rules that raised an alert at any time, likewise
    covered: bool | None  # whether the 95 % interval held the true rate
    sentence: str


def vehicle_of(case: Case) -> Vehicle:
    """What an owner states after a look under the bonnet; the rest the car tells itself."""
    litres, fuel = (2.0, "diesel") if case.make == DIESEL else (2.4, "petrol")
    feedback = "pressure" if case.make == FEEDBACK else None
    return Vehicle("campaign car", litres, 4, fuel, valve=VALVES[case.make], feedback=feedback)


def judge_group(group: Sequence[Case]) -> list[Outcome]:
    """Drive these cars side by side (all of one fuel) and judge them one by one."""
    trips = drive([journey for case in group for journey in journeys_of(case)])
    return [
        judge(case, trips[number * TRIPS : (number + 1) * TRIPS])
        for number, case in enumerate(group)
    ]


def judge(case: Case, trips: Sequence[Driven]) -> Outcome:
    pipeline = Pipeline(vehicle_of(case))
    own = found = None
    opened: dict[str, None] = {}
    end = Batch(trips[-1].key_off_ms + AFTER_TRIP_MS)  # what was pending is judged then
    for batch in (*_patchy(case, batches(trips, case.poll_s)), end):
        alerts = pipeline.feed(batch).alerts
        opened |= dict.fromkeys(_of_the_car(alerts))
        found = found or _when(trips, [a.first_ms for a in alerts if _finds(case, a)], batch)
        own = own or _when(trips, _confirmed(batch), batch)
    verdict = pipeline.verdict()
    return Outcome(
        case,
        hours=verdict.engine_s / 3600,
        found_after=found,
        own_after=own,
        link=first_link(verdict),
        causes=tuple(cause.cause for cause in verdict.causes[:3]),
        accused=_of_the_car(a for a in verdict.alerts if a.state is not AlertState.CLEARED),
        opened=tuple(opened),
        covered=_covered(case, verdict),
        sentence=verdict.sentence,
    )


def first_link(verdict: Verdict) -> str:
    for state in ACCUSED:
        for finding in verdict.links:
            if finding.state is state:
                return finding.link.value
    return ""


def _patchy(case: Case, feed: Sequence[Batch]) -> list[Batch]:
    """The recording with whole minutes missing, as much as this case lost."""
    draw = np.random.default_rng([case.seed, 0xD0])
    lost = draw.random(len(feed)) < case.dropped
    return [replace(b, series=()) if gone else b for b, gone in zip(feed, lost, strict=True)]


def _of_the_car(alerts: Any) -> tuple[str, ...]:
    return tuple(a.rule for a in alerts if a.link is not None)


def _finds(case: Case, alert: Alert) -> bool:
    if case.kind is None:
        return False
    expected = EXPECTED[case.kind]
    # A code found is the car's own finding, not ours.
    ours = alert.link in expected.links_on(case.make) and not alert.rule.startswith("C1")
    return ours or alert.rule in expected.rules


def _confirmed(batch: Batch) -> list[int]:
    return [
        event.t_ms
        for event in batch.events
        if isinstance(event, CodeSeen) and event.status is CodeStatus.CONFIRMED
    ]


def _when(trips: Sequence[Driven], happened: Sequence[int], batch: Batch) -> float | None:
    """How many trips had been driven by the end of this batch, if anything happened in it."""
    if not happened:
        return None
    ended = sum(trip.key_off_ms <= batch.upto_ms - AFTER_TRIP_MS for trip in trips)
    number = min(ended, TRIPS - 1)
    trip = trips[number]
    length_ms = max(trip.key_off_ms - trip.start_ms, 1)
    return number + min(max((batch.upto_ms - trip.start_ms) / length_ms, 0.01), 1.0)


def _covered(case: Case, verdict: Verdict) -> bool | None:
    """For faults drawn at every opening the true rate is known: is it in the interval?"""
    if case.fault is None or case.fault.chance >= 1.0:
        return None
    alert = next((a for a in verdict.alerts if a.rule in COUNTS_OPENINGS), None)
    if alert is None:
        return None
    low, high = (bound(alert.seen, alert.chances) for bound in (lower_bound, upper_bound))
    return low <= TRUE_RATE <= high
