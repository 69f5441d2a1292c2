"""Many invented cars, sound and faulty, judged blind: what is found, how soon, and who is wronged.

    python tests/bench campaign            the whole campaign, both cores
    CAMPAIGN=small python tests/bench campaign     a tenth of it

Every faulty car is one kind of fault at one severity on one make (sensor set), under one
schedule, driven for eight trips; sound and confounded cars drive beside them, the engine's
constants spread beyond what the estimator assumes. Cars are simulated side by side in groups.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from sootsayer.demo.build import Feedback, Make, Metering, individual
from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.demo.journeys import Driven, Journey, drive
from sootsayer.demo.recording import EPOCH_MS, batches, journeys
from sootsayer.derive.chance import lower_bound, upper_bound
from sootsayer.model import Batch, CodeSeen, CodeStatus, Link, LinkState, Verdict
from sootsayer.pipeline import Pipeline
from sootsayer.vehicle import Vehicle

TRIPS = 8
DAY_MS = 86_400_000
CARS_A_GROUP = 12
SMALL_PART = 0.12
ESTATE = Vehicle("campaign car", 2.4, 4, "petrol")
PERMIT, ASK, MOVE, FLOW, EFFECT = Link

MAKES = {
    "both, position": Make(),
    "both, no position": Make(feedback=Feedback.NONE),
    "pressure only, position": Make(metering=Metering.MAP),
    "both, shut reads 4.7 %": Make(shut_raw=12, composite_egr=True),
}
SEVERITIES = {"severe": 1.0, "moderate": 0.75, "slight": 0.5}


@dataclass(frozen=True, slots=True)
class Expected:
    """Where a fault belongs: links that may be named first, and causes that are right."""

    links: tuple[Link, ...]
    causes: tuple[str, ...]


EXPECTED: dict[FaultKind, Expected] = {
    FaultKind.PASSAGE_CHOKED: Expected((FLOW,), ("passage_choked",)),
    FaultKind.VALVE_STUCK_SHUT: Expected((MOVE, FLOW), ("stuck_shut", "diaphragm")),
    FaultKind.VALVE_STUCK_OPEN: Expected((MOVE, FLOW), ("stuck_open", "leaking_shut")),
    FaultKind.VALVE_LEAKS: Expected((FLOW,), ("leaking_shut", "stuck_open")),
    FaultKind.VALVE_LEAKS_SHOWN: Expected((MOVE, FLOW), ("leaking_shut", "stuck_open")),
    FaultKind.GEAR_INPUT: Expected((PERMIT,), ("gear_input",)),
    FaultKind.POSITION_OFFSET: Expected((MOVE,), ("position_sensor",)),
    FaultKind.ASKED_WRONG: Expected((ASK,), ("command_wrong",)),
}
CONFOUNDERS = (FaultKind.AIR_LEAK, FaultKind.MAF_LOW, FaultKind.MAF_HIGH)


@dataclass(frozen=True, slots=True)
class Case:
    """One car of the campaign."""

    make: str
    seed: int
    fault: Fault | None
    kind: FaultKind | None
    severity: str
    schedule: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of it. Trips count from one; None: never."""

    case: Case
    hours: float
    found_trip: int | None
    own_trip: int | None  # when the car's own monitor had confirmed a code
    link: str
    causes: tuple[str, ...]
    accused: tuple[str, ...]  # rules with an alert at the end
    covered: bool | None  # whether the 95 % interval held the true rate


def schedules(kind: FaultKind, severity: float) -> dict[str, Fault]:
    return {
        "permanent": Fault(kind, severity),
        "when hot": Fault(kind, severity, hot_above_c=30.0),
        "one in three": Fault(kind, severity, chance=1 / 3),
        "growing": Fault(kind, severity, EPOCH_MS, EPOCH_MS + 3 * DAY_MS),
    }


def cases(small: bool) -> list[Case]:
    """Faulty cars over kind, severity, make and schedule; then sound and confounded ones."""
    made: list[Case] = []
    seed = 100
    for kind, expected in EXPECTED.items():
        for word, severity in SEVERITIES.items():
            for make in MAKES:
                for schedule, fault in schedules(kind, severity).items():
                    seed += 1
                    by_opening = expected.links[0] in (MOVE, FLOW) and "LEAKS" not in kind.name
                    if schedule == "one in three" and not by_opening:
                        continue  # drawn anew at every opening: no meaning for these
                    if kind is FaultKind.POSITION_OFFSET and "no position" in make:
                        continue  # nothing there to be wrong
                    if not small or np.random.default_rng(seed).random() < SMALL_PART:
                        made.append(Case(make, seed, fault, kind, word, schedule))
    others: list[FaultKind | None] = [None] * (12 if small else 120)
    others += list(CONFOUNDERS) * (1 if small else 10)
    for number, kind in enumerate(others):
        make = list(MAKES)[number % len(MAKES)]
        fault = None if kind is None else Fault(kind, 0.5)
        made.append(Case(make, 5000 + number, fault, kind, "", ""))
    return made


def _beyond(make: Make, seed: int) -> Make:
    """Constants spread beyond what the estimator assumes: breathing, heat, sensor bias."""
    draw = np.random.default_rng([seed, 0xBE])
    spread = draw.normal(0, 1, 4)
    return replace(
        individual(make, seed),
        breathing=make.breathing * (1 + 0.05 * float(np.clip(spread[0], -2, 2))),
        port_heat=make.port_heat * (1 + 0.4 * float(np.clip(spread[1], -2, 2))),
        map_bias_pa=800.0 * float(np.clip(spread[2], -2, 2)),
        breathing_fall=make.breathing_fall * (1 + 0.3 * float(np.clip(spread[3], -2, 2))),
    )


def _journeys(case: Case) -> list[Journey]:
    faults = () if case.fault is None else (case.fault,)
    planned = journeys(TRIPS, case.seed, faults, MAKES[case.make])
    make = _beyond(MAKES[case.make], case.seed)
    return [replace(j, spec=replace(j.spec, make=make)) for j in planned]


def judge_group(group: Sequence[Case]) -> list[Outcome]:
    trips = drive([journey for case in group for journey in _journeys(case)])
    return [
        _judge(case, trips[number * TRIPS : (number + 1) * TRIPS])
        for number, case in enumerate(group)
    ]


def _judge(case: Case, trips: list[Driven]) -> Outcome:
    pipeline = Pipeline(ESTATE)
    found = own = None
    feed = batches(trips)
    ends = [trip.key_off_ms + 300_000 for trip in trips]
    number = 0
    verdict = pipeline.verdict()
    for batch in feed:
        while number < TRIPS - 1 and batch.upto_ms > ends[number]:
            verdict = _after_trip(pipeline, ends[number])
            number += 1
            found = found or _found(case, verdict, number)
        pipeline.feed(batch)
        own = own or _own(batch, number + 1)
    verdict = _after_trip(pipeline, ends[-1])
    found = found or _found(case, verdict, TRIPS)
    first = next((f.link for f in verdict.links if f.state is LinkState.BROKEN), None)
    first = first or next((f.link for f in verdict.links if f.state is LinkState.DOUBTFUL), None)
    open_rules = tuple(a.rule for a in verdict.alerts if a.state == "open" and a.link)
    return Outcome(
        case, verdict.engine_s / 3600, found, own, first.value if first else "",
        tuple(cause.cause for cause in verdict.causes[:3]), open_rules, _covered(case, verdict),
    )  # fmt: skip


def _after_trip(pipeline: Pipeline, end_ms: int) -> Verdict:
    pipeline.feed(Batch(end_ms))
    return pipeline.verdict()


def _found(case: Case, verdict: Verdict, trip: int) -> int | None:
    if case.kind not in EXPECTED:
        return None
    accused = {f.link for f in verdict.links if f.state in (LinkState.BROKEN, LinkState.DOUBTFUL)}
    return trip if accused & set(EXPECTED[case.kind].links) else None


def _own(batch: Batch, trip: int) -> int | None:
    confirmed = any(
        isinstance(e, CodeSeen) and e.status is CodeStatus.CONFIRMED for e in batch.events
    )
    return trip if confirmed else None


def _covered(case: Case, verdict: Verdict) -> bool | None:
    """For faults drawn at every opening the true rate is known: is it in the interval?"""
    if case.schedule != "one in three" or case.severity != "severe":
        return None
    alert = next((a for a in verdict.alerts if a.rule in ("F1", "M1")), None)
    if alert is None:
        return None
    return lower_bound(alert.seen, alert.chances) <= 1 / 3 <= upper_bound(alert.seen, alert.chances)


# ---------------------------------------------------------------- the table


def run() -> list[str]:
    small = os.environ.get("CAMPAIGN") == "small"
    everyone = cases(small)
    groups = [everyone[i : i + CARS_A_GROUP] for i in range(0, len(everyone), CARS_A_GROUP)]
    with ProcessPoolExecutor(2) as pool:
        outcomes = [outcome for part in pool.map(judge_group, groups) for outcome in part]
    return summary(outcomes)


def summary(outcomes: Sequence[Outcome]) -> list[str]:
    faulty = [o for o in outcomes if o.case.kind in EXPECTED]
    lines = [f"{len(faulty)} faulty cars, {sum(o.hours for o in outcomes):.0f} h of driving in all"]
    for word in SEVERITIES:
        some = [o for o in faulty if o.case.severity == word]
        lines.append(f"{word:10s} found {_share([o.found_trip is not None for o in some])}")
    for schedule in ("permanent", "when hot", "one in three", "growing"):
        some = [o for o in faulty if o.case.schedule == schedule]
        lines.append(f"{schedule:14s} found {_share([o.found_trip is not None for o in some])}")
    for kind in EXPECTED:
        some = [o for o in faulty if o.case.kind is kind]
        lines.append(f"{kind.value:42s} found {_share([o.found_trip is not None for o in some])}")
    lines += _named([o for o in faulty if o.found_trip is not None])
    lines += _soon(faulty)
    for word, some in (
        ("sound", [o for o in outcomes if o.case.kind is None]),
        ("confounded", [o for o in outcomes if o.case.kind in CONFOUNDERS]),
    ):
        hours = sum(o.hours for o in some)
        wrong = [o for o in some if set(o.accused) - {"C1"} and o.link]
        own = [o for o in some if "C1" in o.accused]
        lines.append(
            f"{word}: {len(wrong)} of {len(some)} cars accused in {hours:.0f} h, "
            f"{1000 * len(wrong) / max(hours, 1):.1f} per 1,000 h; {len(own)} by their own monitor"
        )
        lines += [f"  {o.case.make}, seed {o.case.seed}: {o.accused}" for o in wrong[:8]]
    covered = [o.covered for o in faulty if o.covered is not None]
    lines.append(f"95 % interval holds the true rate: {_share(covered)}")
    return lines


def _named(found: Sequence[Outcome]) -> list[str]:
    """Whether the right link and cause were named, of the cars that were found."""
    right, first, three = [], [], []
    for outcome in found:
        assert outcome.case.kind is not None
        expected = EXPECTED[outcome.case.kind]
        right.append(outcome.link in [link.value for link in expected.links])
        first.append(outcome.causes[:1] and outcome.causes[0] in expected.causes)
        three.append(bool(set(outcome.causes) & set(expected.causes)))
    return [
        f"first broken link right {_share(right)}",
        f"cause first {_share(first)}, among the first three {_share(three)}",
    ]


def _soon(faulty: Sequence[Outcome]) -> list[str]:
    ours = [o.found_trip or TRIPS + 1 for o in faulty]
    own = [o.own_trip or TRIPS + 1 for o in faulty]
    both = [o for o in faulty if o.found_trip and o.own_trip]
    return [
        f"trips until found, median: {np.median(ours):.0f}; until the car's own two-trip monitor "
        f"confirmed a code: {np.median(own):.0f} (of {TRIPS}; {TRIPS + 1} means never)",
        f"found by us only {sum(o.found_trip is not None and o.own_trip is None for o in faulty)}, "
        f"by the car only {sum(o.found_trip is None and o.own_trip is not None for o in faulty)}, "
        f"by both {len(both)}",
    ]


def _share(hits: Sequence[bool | None]) -> str:
    k, n = sum(bool(hit) for hit in hits), len(hits)
    return f"{k} of {n} ({100 * k / n:.0f} %)" if n else "none of none"
