"""Many invented cars, sound and faulty, judged blind: what is found, how soon, who is wronged.

    python tests/bench campaign                     the whole campaign, both cores
    CAMPAIGN=0.1 python tests/bench campaign        a tenth of it, the same tenth every time

Every faulty car has one kind of fault of one severity, acting by one schedule, on one of five
sensor sets, and is driven nine trips in three days. Sound cars drive commutes and the road cycles
of a registry package in all weathers, from the sea to 3,000 m, some poorly polled. All constants
lie farther apart than the estimator assumes.
"""

from __future__ import annotations

import os
import pickle
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

import numpy as np
from campaign_cases import (
    DIESEL,
    EXPECTED,
    MAKES,
    OF_RECIRCULATION,
    SCHEDULES,
    SEVERITIES,
    TRIPS,
    Case,
    cases,
)
from campaign_judge import Outcome, judge_group

from sootsayer.model import Link

CARS_A_GROUP = 24
Row = list[str]


def run() -> list[str]:
    outcomes = judged(cases(float(os.environ.get("CAMPAIGN", "1"))))
    kept = os.environ.get("CAMPAIGN_KEEP")
    if kept:
        Path(kept).write_bytes(pickle.dumps(outcomes))
    return summary(outcomes)


def judged(everyone: Sequence[Case]) -> list[Outcome]:
    """All cars judged, on both cores; the same outcome whatever the number of cores."""
    groups = list(side_by_side(everyone))
    outcomes: list[Outcome] = []
    with ProcessPoolExecutor(2) as pool:
        waiting = [pool.submit(judge_group, group) for group in groups]
        for done in as_completed(waiting):
            outcomes += done.result()
            print(f"\r  {len(outcomes)} of {len(everyone)} cars", end="", flush=True)
    print()
    return sorted(outcomes, key=lambda outcome: outcome.case.seed)


def side_by_side(everyone: Sequence[Case]) -> Iterable[list[Case]]:
    """Cars that go side by side: of one fuel, on roads of like length."""
    for alike in (
        [c for c in everyone if (c.make == DIESEL) is diesel and (c.driving == "cycles") is cycle]
        for diesel in (False, True)
        for cycle in (False, True)
    ):
        for at in range(0, len(alike), CARS_A_GROUP):
            yield alike[at : at + CARS_A_GROUP]


# ---------------------------------------------------------------- the table


def summary(outcomes: Sequence[Outcome]) -> list[str]:
    """The table, as lines of Markdown."""
    faulty = [o for o in outcomes if o.case.kind is not None]
    of_egr = [o for o in faulty if o.case.kind in OF_RECIRCULATION]
    others = [o for o in faulty if o.case.kind not in OF_RECIRCULATION]
    sound = [o for o in outcomes if o.case.kind is None]
    return [
        f"{len(faulty)} faulty cars ({len({o.case.kind for o in faulty})} kinds) in "
        f"{_hours(faulty):.0f} h, {len(sound)} sound cars in {_hours(sound):.0f} h",
        "",
        *_table("severity", SEVERITIES, of_egr, lambda o: o.case.severity),
        *_table("schedule", SCHEDULES, of_egr, lambda o: o.case.schedule),
        *_table("car", list(MAKES), of_egr, lambda o: o.case.make),
        *_table("kind", list(EXPECTED), faulty, lambda o: o.case.kind),
        *_table("not recirculation", SEVERITIES, others, lambda o: o.case.severity),
        *_soon(of_egr),
        *_wronged("sound cars", sound),
        *_wronged("cars whose fault is not recirculation", others),
        # Only of a total fault is it sure that an opening in which it acts fails.
        f"95 % interval holds the true rate of severe intermittent faults: "
        f"{_share(o.covered for o in faulty if o.case.severity == SEVERITIES[0])}",
    ]


def _table(
    title: str, rows: Sequence[str], some: Sequence[Outcome], row_of: Callable[[Outcome], object]
) -> list[str]:
    head = [title, "found", "first broken link right", "cause first", "cause in first three"]
    lines = [_row(head), _row(["---"] * len(head))]
    for name in (*rows, "all") if len(rows) < 9 else rows:
        here = [o for o in some if name in ("all", row_of(o))]
        found = [o for o in here if o.found_after is not None]
        lines.append(
            _row([
                str(name), _share(o.found_after is not None for o in here),
                _share(link_right(o) for o in found),
                _share(_cause_right(o, 1) for o in found),
                _share(_cause_right(o, 3) for o in found),
            ])
        )  # fmt: skip
    return [*lines, ""]


def link_right(outcome: Outcome) -> bool:
    links = _links(outcome.case)
    if outcome.case.kind in OF_RECIRCULATION:
        return outcome.link in links
    return not blamed(outcome)


def _cause_right(outcome: Outcome, first: int) -> bool | None:
    """Whether a right cause is among the first so many; None where none is to be named."""
    assert outcome.case.kind is not None
    right = EXPECTED[outcome.case.kind].causes_on(outcome.case.make)
    return bool(set(outcome.causes[:first]) & set(right)) if right else None


def _soon(some: Sequence[Outcome]) -> list[str]:
    """Trips until found, ours beside the car's own two-trip logic.

    The mean is of an exponential law with the cars censored that were never found: all trips
    driven until found or until the end, over the number found.
    """
    head = [
        "trips until found",
        "median",
        "mean",
        "the car's own: median",
        "mean",
        "ratio of means",
    ]
    lines = [_row(head), _row(["---"] * len(head))]
    for schedule in (*SCHEDULES, "all"):
        here = [o for o in some if schedule in ("all", o.case.schedule)]
        ours, own = _trips([o.found_after for o in here]), _trips([o.own_after for o in here])
        ratio = f"{ours[1] / own[1]:.2f}" if own[1] < np.inf else "–"
        cells = [f"{x:.1f}" if x <= TRIPS or x < np.inf else "never" for x in (*ours, *own)]
        lines.append(_row([schedule, *cells, ratio]))
    return [*lines, ""]


def _trips(after: Sequence[float | None]) -> tuple[float, float]:
    """Median and censored mean, infinite where never found."""
    if not after:
        return np.inf, np.inf
    until = [np.inf if a is None else a for a in after]
    found = sum(a is not None for a in after)
    at_risk = sum(min(a, float(TRIPS)) for a in until)
    return float(np.median(until)), at_risk / found if found else np.inf


def _wronged(name: str, some: Sequence[Outcome]) -> list[str]:
    """Cars that stand accused at the end of something that is not their fault."""
    wrong = [o for o in some if blamed(o)]
    hours = _hours(some)
    said = [
        f"{name}: {len(wrong)} of {len(some)} wrongly accused in {hours:.0f} h, "
        f"{1000 * len(wrong) / max(hours, 1):.1f} per 1,000 h"
    ]
    return said + [
        f"  {o.case.kind} {o.case.severity} {o.case.schedule} {o.case.make}, {o.case.driving}, "
        f"seed {o.case.seed}, poll {o.case.poll_s}: {o.link} {o.accused}"
        for o in wrong[:25]
    ]


def blamed(outcome: Outcome) -> bool:
    """A link is named that the car's fault does not touch. An engine with another fault may
    well run badly, so that its effects are seen is right."""
    kind = outcome.case.kind
    return outcome.link not in ("", *_links(outcome.case), *([Link.EFFECT.value] if kind else []))


def _links(case: Case) -> list[str]:
    return [link.value for link in EXPECTED[case.kind].links_on(case.make)] if case.kind else []


def _hours(some: Sequence[Outcome]) -> float:
    return sum(outcome.hours for outcome in some)


def _row(cells: Row) -> str:
    return f"| {' | '.join(cells)} |"


def _share(hits: Iterable[bool | None]) -> str:
    some = [hit for hit in hits if hit is not None]
    k, n = sum(some), len(some)
    return f"{100 * k / n:.0f} % of {n}" if n else "–"
