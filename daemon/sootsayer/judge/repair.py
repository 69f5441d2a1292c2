"""Before and after a repair: the same rules, rates with exact intervals, and a verdict.

Cured is said only when the old fault would have shown itself since with 95 % sureness: with the
least rate that the chances before leave possible, staying quiet so long is as rare as 5 %.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from sootsayer.derive.chance import lower_bound, upper_bound
from sootsayer.rules.watches import ChanceWatch, Watch

ALPHA = 0.05
# Of the chances before, the newest so many: a fault that grew is to be measured as it was last.
BEFORE = 40


class Outcome(StrEnum):
    CURED = "cured"
    BETTER = "better"
    UNCHANGED = "unchanged"
    OPEN = "not enough driving yet"


@dataclass(frozen=True, slots=True)
class Comparison:
    """Failures and chances of one rule before and after, what follows, and how many more
    chances without failure would prove a cure (0 when settled)."""

    before: tuple[int, int]
    after: tuple[int, int]
    outcome: Outcome
    needed: int


def compare(before: tuple[int, int], after: tuple[int, int]) -> Comparison:
    """``before`` and ``after``: (failures, chances)."""
    k, n = after
    least_rate = lower_bound(*before, ALPHA)
    p = fisher_less(before, after)
    wanted = math.ceil(math.log(ALPHA) / math.log1p(-least_rate)) if 0 < least_rate < 1 else n + 1
    if least_rate >= 1:
        wanted = 1
    if k == 0 and n >= wanted:
        return Comparison(before, after, Outcome.CURED, 0)
    if k > 0 and p <= ALPHA:
        return Comparison(before, after, Outcome.BETTER, 0)
    if k > 0 and lower_bound(k, n, ALPHA) > least_rate / 2:
        return Comparison(before, after, Outcome.UNCHANGED, 0)
    return Comparison(before, after, Outcome.OPEN, max(1, wanted - n))


def fisher_less(before: tuple[int, int], after: tuple[int, int]) -> float:
    """One-sided exact p that failures became rarer (Fisher's exact test)."""
    k1, n1 = before
    k2, n2 = after
    k, n = k1 + k2, n1 + n2
    whole = math.comb(n, k)
    return sum(
        math.comb(n2, i) * math.comb(n1, k - i)
        for i in range(max(0, k - n1), k2 + 1)
        if 0 <= k - i <= n1
    ) / whole if whole else 1.0  # fmt: skip


def split(
    chances: Iterable[Sequence[Any]], repair_ms: int
) -> tuple[tuple[int, int], tuple[int, int]]:
    """(failures, chances) before, newest ``BEFORE`` only, and after a repair.

    ``chances``: rows that begin with start, end, failed.
    """
    rows = list(chances)
    old = [bool(row[2]) for row in rows if row[0] < repair_ms][-BEFORE:]
    new = [bool(row[2]) for row in rows if row[0] >= repair_ms]
    return (sum(old), len(old)), (sum(new), len(new))


@dataclass(frozen=True, slots=True)
class Repaired:
    """One rule before and after the last repair. ``said`` is for a person, ``noun`` what its
    chances are called."""

    rule: str
    done: str
    comparison: Comparison
    said: str
    noun: str = "chances"


def repaired(watches: Iterable[Watch], repair_ms: int, done: str) -> tuple[Repaired, ...]:
    """Every rule that failed clearly before the repair, then and since."""
    found = []
    for watch in watches:
        if not isinstance(watch, ChanceWatch):
            continue
        before, after = split(watch.chances, repair_ms)
        if lower_bound(*before) > watch.rule.limit("raise_share"):
            compared = compare(before, after)
            said = say(watch.rule.title, done, compared, watch.rule.say_chances)
            found.append(Repaired(watch.rule.name, done, compared, said, watch.rule.say_chances))
    return tuple(found)


def verdict_of(found: Iterable[Repaired]) -> Repaired | None:
    """The one that decides what the repair was worth: what failed on comes before what needs
    more driving, and only where all are cured it is a cure."""
    order = [Outcome.UNCHANGED, Outcome.BETTER, Outcome.OPEN, Outcome.CURED]
    return min(found, key=lambda r: order.index(r.comparison.outcome), default=None)


def say(title: str, done: str, comparison: Comparison, noun: str) -> str:
    """One or two sentences for a person."""
    (k2, n2) = comparison.after
    low, high = lower_bound(k2, n2), upper_bound(k2, n2)
    counts = f"{title}: {_rate(comparison.before)} {noun} before “{done}”, {_rate((k2, n2))} since"
    if comparison.outcome is Outcome.CURED:
        return f"{counts}. Cured: the old fault would have shown itself by now (95 %)."
    if comparison.outcome is Outcome.BETTER:
        return f"{counts}. Better, not cured: {100 * low:.0f} to {100 * high:.0f} % still fail."
    if comparison.outcome is Outcome.UNCHANGED:
        return f"{counts}. Unchanged."
    if k2:
        return f"{counts}. Not cured; whether it is better needs more driving."
    return (
        f"{counts}. Not enough driving yet: about {comparison.needed} more {noun} without failure "
        "would prove a cure."
    )


def _rate(counted: tuple[int, int]) -> str:
    """Failures of chances with the exact 95 % interval of their rate."""
    k, n = counted
    if not n:
        return "0 of 0"
    low, high = lower_bound(k, n), upper_bound(k, n)
    return f"{k} of {n} ({100 * low:.0f} to {100 * high:.0f} %)"
