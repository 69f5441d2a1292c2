"""Exact statements about rare events: k failures in n chances.

Binomial intervals after Clopper and Pearson (1934), found by halving on the exact tail, so that
the recorder needs no statistics library in its memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

HALVINGS = 60


def tail(k: int, n: int, rate: float) -> float:
    """Chance of k or more failures in n at the given rate."""
    if k <= 0:
        return 1.0
    if k > n or rate <= 0.0:
        return 0.0
    if rate >= 1.0:
        return 1.0
    log_rate, log_rest = math.log(rate), math.log1p(-rate)
    total = math.lgamma(n + 1)
    terms = (
        math.exp(
            total - math.lgamma(i + 1) - math.lgamma(n - i + 1) + i * log_rate + (n - i) * log_rest
        )
        for i in range(k, n + 1)
    )
    return min(1.0, math.fsum(terms))


@lru_cache(maxsize=4096)
def lower_bound(k: int, n: int, alpha: float = 0.025) -> float:
    """Least rate that k of n leaves possible, one-sided error ``alpha``."""
    if k == 0 or n == 0:
        return 0.0
    return _solve(lambda rate: tail(k, n, rate) - alpha)


@lru_cache(maxsize=4096)
def upper_bound(k: int, n: int, alpha: float = 0.025) -> float:
    """Greatest rate that k of n leaves possible, one-sided error ``alpha``."""
    if k >= n:
        return 1.0
    return _solve(lambda rate: tail(k + 1, n, rate) - (1 - alpha))


def chances_needed(rate: float, sureness: float = 0.95) -> int:
    """Chances to watch until a fault of this rate has shown itself with this sureness."""
    return math.ceil(math.log(1 - sureness) / math.log1p(-rate))


def two_in_a_row(rate: float) -> float:
    """Trips a monitor needs on average that looks once a trip, fails at this rate and speaks
    only after two failures in a row: (1 + p)/p², the waiting time for a run of two."""
    return (1 + rate) / rate**2


def _solve(rising: Callable[[float], float]) -> float:
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if rising(middle) < 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2
