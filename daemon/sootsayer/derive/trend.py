"""Trends and drift: whether a value creeps, by how much, and how surely.

Slope after Theil (1950) and Sen (1968), significance after Mann (1945) and Kendall (1975),
drift by two-sided cumulative sums (Page, 1954). Written out here so that the recorder needs no
statistics library in its memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sootsayer.derive.keep import Kept
from sootsayer.model import FloatArray

EXACT_MOST = 40  # values up to which the chance is counted exactly; beyond, the normal is as good
NORMAL_975 = 1.959963984540054
CUSUM_SLACK = 0.5  # standard deviations: tuned to a shift of one, the customary choice


@dataclass(frozen=True, slots=True)
class Slope:
    """Middle of all pairwise slopes, with the limits that hold it at 95 %."""

    slope: float
    low: float
    high: float


def theil_sen(x: FloatArray, y: FloatArray) -> Slope | None:
    """Slope of y over x, both of shape (n,); None with fewer than two different x."""
    later, earlier = np.triu_indices(len(x), 1)[::-1]
    run = x[later] - x[earlier]
    slopes = np.sort((y[later] - y[earlier])[run != 0] / run[run != 0])
    if not len(slopes):
        return None
    middle = float(np.median(slopes))
    n, pairs = len(y), len(slopes)
    variance = (n * (n - 1) * (2 * n + 5) - _tied(x) - _tied(y)) / 18
    reach = NORMAL_975 * math.sqrt(max(variance, 0.0))
    upper = min(round((pairs + reach) / 2), pairs - 1)
    lower = max(round((pairs - reach) / 2) - 1, 0)
    return Slope(middle, float(slopes[lower]), float(slopes[upper]))


def slope_between(x: FloatArray, y: FloatArray, group: FloatArray) -> float:
    """Middle of the slopes of all pairs from different groups; 0 where there are none. Values
    of one group resemble each other and say nothing of a slow change."""
    later, earlier = np.triu_indices(len(x), 1)[::-1]
    apart = group[later] != group[earlier]
    later, earlier = later[apart], earlier[apart]
    slopes = (y[later] - y[earlier]) / (x[later] - x[earlier])
    return float(np.median(slopes)) if len(slopes) else 0.0


def mann_kendall(values: FloatArray) -> float:
    """Two-sided chance of so steady a rise or fall without any trend; ``values`` in time order.

    Exact where no two values are equal and there are few; else the normal approximation with
    correction for ties and continuity.
    """
    n = len(values)
    if n < 3:
        return 1.0
    score = concordance(values)
    ties = _tied(values)
    if not ties and n <= EXACT_MOST:
        return _exact(n, abs(score))
    variance = (n * (n - 1) * (2 * n + 5) - ties) / 18
    if variance <= 0:
        return 1.0
    z = max(abs(score) - 1, 0) / math.sqrt(variance)
    return math.erfc(z / math.sqrt(2))


def concordance(values: FloatArray) -> int:
    """Rising pairs minus falling pairs (Kendall's S)."""
    later, earlier = np.triu_indices(len(values), 1)[::-1]
    return int(np.sign(values[later] - values[earlier]).sum())


def _tied(values: FloatArray) -> float:
    _, counts = np.unique(values, return_counts=True)
    return float(np.sum(counts * (counts - 1) * (2 * counts + 5)))


@lru_cache(maxsize=64)
def _exact(n: int, score: int) -> float:
    """Chance that |S| is at least ``score``, by counting orders with few inversions."""
    pairs = n * (n - 1) // 2
    inversions = (pairs - score) // 2
    counts = np.zeros(pairs + 1)
    counts[0] = 1.0
    for size in range(2, n + 1):  # shares instead of counts, so that they stay within floats
        sums = np.cumsum(counts)
        shifted = np.concatenate([np.zeros(size), sums[:-size]])
        counts = (sums - shifted) / size
    return min(1.0, 2.0 * float(counts[: inversions + 1].sum()))


class Cusum(Kept):
    """Sums of what lies beyond the slack, upward and downward, in standard deviations."""

    kept = ("up", "down")

    def __init__(self) -> None:
        self.up = 0.0
        self.down = 0.0

    def add(self, z: float) -> None:
        """Take in one value as deviations from its reference."""
        self.up = max(0.0, self.up + z - CUSUM_SLACK)
        self.down = max(0.0, self.down - z - CUSUM_SLACK)
