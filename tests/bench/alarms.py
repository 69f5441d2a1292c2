"""False alarms: how often a single sound chance may fail before a rule passes its budget.

All rules together may accuse one sound car in 1,000 h; one rule's budget is a fiftieth of that.
For rules that count chances the windows' own arithmetic says which failure rate per chance they
bear; sound demo cars say how many chances an hour brings and how many failed.
"""

from __future__ import annotations

from collections import Counter
from functools import cache

from sootsayer.demo.journeys import drive
from sootsayer.demo.recording import batches, journeys
from sootsayer.derive.chance import lower_bound, tail, upper_bound
from sootsayer.pipeline import Pipeline
from sootsayer.rules.book import Rule, load_rules
from sootsayer.rules.watches import ChanceWatch
from sootsayer.vehicle import Vehicle

BUDGET_PER_H = 1 / 50_000
KNOWN_H = 100.0  # a car's first windows, while few chances are known, come once in so many hours
SEEDS = range(1, 4)
TRIPS = 8


@cache
def least_failures(least_failed: int, raise_share: float, n: int) -> int:
    """Failures among n chances from which a rule raises its alert; n + 1 where none suffice."""
    for k in range(least_failed, n + 1):
        if lower_bound(k, n) > raise_share:
            return k
    return n + 1


def alarms_per_h(rule: Rule, rate: float, chances_per_h: float) -> float:
    """False alarms an hour if each sound chance fails on its own at ``rate``: the newest failure
    makes the window full. First windows, which are shorter, counted once in ``KNOWN_H``."""
    decide = int(rule.limit("decide"))
    least, share = int(rule.limit("least_failed")), rule.limit("raise_share")

    def raised(n: int) -> float:
        return rate * tail(least_failures(least, share, n) - 1, n - 1, rate)

    first = sum(raised(n) for n in range(1, decide + 1))
    return chances_per_h * raised(decide) + first / KNOWN_H


def borne(rule: Rule, chances_per_h: float) -> float:
    """Greatest failure rate of a sound chance that keeps a rule within its budget."""
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        within = alarms_per_h(rule, middle, chances_per_h) <= BUDGET_PER_H
        low, high = (middle, high) if within else (low, middle)
    return low


def sound_cars() -> tuple[float, Counter[str], Counter[str]]:
    """Hours, chances and failed chances of sound demo cars by rule."""
    hours, chances, failed = 0.0, Counter[str](), Counter[str]()
    trips = drive([journey for seed in SEEDS for journey in journeys(TRIPS, seed)])
    for number, _ in enumerate(SEEDS):
        pipeline = Pipeline(Vehicle("sound", 2.4, 4, "petrol"))
        for batch in batches(trips[number * TRIPS : (number + 1) * TRIPS]):
            pipeline.feed(batch)
        hours += pipeline.trips.engine_s / 3600
        for name, watch in pipeline.rules.watches.items():
            if isinstance(watch, ChanceWatch):
                chances[name] += watch.total
                failed[name] += watch.failed
    return hours, chances, failed


def run() -> list[str]:
    hours, chances, failed = sound_cars()
    lines = [f"sound demo cars over {hours:.0f} h; a rule's budget is one alarm in 50,000 h"]
    for name, rule in load_rules().items():
        if rule.counts != "chances":
            continue
        n, k = chances[name], failed[name]
        per_h = n / hours if n else 1.0
        seen = f"{k} of {n} failed, below {100 * upper_bound(k, n):.1f} %" if n else "none seen"
        lines.append(
            f"{name:4} {per_h:5.1f} chances an hour, bears {100 * borne(rule, per_h):.3f} %; {seen}"
        )
    return lines
