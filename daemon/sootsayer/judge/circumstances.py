"""Under which circumstances it fails: the best single split of failed against good chances.

Effect size is Cliff's delta; the p-value comes from random relabelling, and over all
circumstances the false-discovery rate is held at five per cent (Benjamini and Hochberg, 1995).
The relabelling uses a fixed seed, so that the same evidence always gives the same words.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any

import numpy as np

from sootsayer.derive.chance import lower_bound, upper_bound
from sootsayer.model import BoolArray, FloatArray

# Name → (words, unit, digits that mean something).
WORDS = {
    "ect_c": ("coolant", "°C", 0),
    "iat_c": ("intake air", "°C", 0),
    "ambient_c": ("outside air", "°C", 0),
    "minutes": ("time since start", "min", 0),
    "soak_h": ("rest before the trip", "h", 1),
    "speed_kmh": ("speed", "km/h", 0),
    "rpm": ("engine speed", "rpm", -1),
    "load_pct": ("load", "%", 0),
    "battery_v": ("battery", "V", 1),
    "baro_kpa": ("outside pressure", "kPa", 0),
    "fuel_pct": ("fuel level", "%", 0),
    "asked_pct": ("an opening asked for", "%", 0),
    "hour": ("the hour of the day", "UTC", 0),
}
# What stays the same through a trip is witnessed once a trip, however many chances it held.
ONCE_A_TRIP = frozenset({"soak_h", "ambient_c", "baro_kpa", "fuel_pct", "hour"})
LEAST_EACH = 4  # failed and good chances needed before a difference can be meant
RELABELLINGS = 999
FALSE_DISCOVERY = 0.05


def cliffs_delta(failed: FloatArray, good: FloatArray) -> float:
    """−1 … 1: how often a failed chance has the greater value, minus how often the lesser."""
    return float(np.sign(failed[:, None] - good[None, :]).mean())


def describe(chances: Sequence[Sequence[Any]], noun: str) -> tuple[str, ...]:
    """Sentences on what the failed chances have in common.

    ``chances``: rows whose items 2, 4 and 5 are the outcome (failed), trip and circumstances.
    """
    failed = [chance[5] for chance in chances if chance[2]]
    good = [chance[5] for chance in chances if not chance[2]]
    if not failed:
        return ()
    if not good:
        return (f"It failed at all of {len(failed)} {noun}: no circumstance can stand out.",)
    if not comparable(chances):
        few = "failures" if len(failed) < LEAST_EACH else f"sound {noun}"
        return (f"Too few {few} yet to see under which circumstances it fails.",)
    tests: list[tuple[float, float, str, FloatArray, FloatArray]] = []
    for name in WORDS:
        rows = [chance for chance in chances if name in chance[5]]
        values = np.array([float(chance[5][name]) for chance in rows])
        failing = np.array([bool(chance[2]) for chance in rows], dtype=np.bool_)
        bad, fine = values[failing], values[~failing]
        if len(bad) >= LEAST_EACH and len(fine) >= LEAST_EACH:
            trips = np.array([chance[4] for chance in rows])
            p, delta = (
                (_between_trips(values, failing, trips), cliffs_delta(bad, fine))
                if name in ONCE_A_TRIP
                else _relabelled(bad, fine)
            )
            tests.append((p, delta, name, bad, fine))
    kept = _discoveries(tests)
    if not kept:
        return ("No circumstance stands out.",)
    best = max(kept, key=lambda test: abs(test[1]))
    return (_split(best[2], best[3], best[4], noun),)


def comparable(chances: Collection[Sequence[Any]]) -> bool:
    """Whether enough failed and enough were good for their circumstances to be compared."""
    failed = sum(bool(chance[2]) for chance in chances)
    return failed >= LEAST_EACH and len(chances) - failed >= LEAST_EACH


def _relabelled(bad: FloatArray, fine: FloatArray) -> tuple[float, float]:
    delta = cliffs_delta(bad, fine)
    pool = np.concatenate([bad, fine])
    ranks = np.argsort(np.argsort(pool, kind="stable"), kind="stable").astype(float)
    # Equal values share their mean rank, so that ties count for neither side.
    _, inverse = np.unique(pool, return_inverse=True)
    ranks = (np.bincount(inverse, ranks) / np.bincount(inverse))[inverse]
    generator = np.random.default_rng(1)
    observed = abs(ranks[: len(bad)].mean() - ranks.mean())
    dealt = generator.permuted(np.tile(ranks, (RELABELLINGS, 1)), axis=1)[:, : len(bad)]
    apart = np.abs(dealt.mean(axis=1) - ranks.mean())
    return _chance(apart, observed), delta


def _between_trips(values: FloatArray, failing: BoolArray, trips: FloatArray) -> float:
    """Chance that trips dealt their values at random part failed from good as well as these do."""
    names, of_row = np.unique(trips, return_inverse=True)
    means = np.bincount(of_row, values) / np.bincount(of_row)
    ranks = np.unique(means, return_inverse=True)[1].astype(float)
    generator = np.random.default_rng(1)
    dealt = generator.permuted(np.tile(ranks, (RELABELLINGS, 1)), axis=1)
    scores = np.vstack([ranks, dealt])[:, of_row]  # as it was, then as it might have been
    apart = np.abs(scores[:, failing].mean(axis=1) - scores.mean(axis=1))
    return _chance(apart[1:], float(apart[0])) if len(names) > 1 else 1.0


def _chance(dealt: FloatArray, observed: float) -> float:
    """Share of random deals that part them as well, the observed one counted among them."""
    return (int(np.count_nonzero(dealt >= observed - 1e-12)) + 1) / (len(dealt) + 1)


def _discoveries(
    tests: list[tuple[float, float, str, FloatArray, FloatArray]],
) -> list[tuple[float, float, str, FloatArray, FloatArray]]:
    ordered = sorted(tests, key=lambda test: test[0])
    passing = [
        index
        for index, test in enumerate(ordered)
        if test[0] <= FALSE_DISCOVERY * (index + 1) / len(ordered)
    ]
    return ordered[: passing[-1] + 1] if passing else []


def _split(name: str, bad: FloatArray, fine: FloatArray, noun: str) -> str:
    """The single limit that parts failed from good best, in words with counts."""
    values = np.unique(np.concatenate([bad, fine]))
    limits = (values[1:] + values[:-1]) / 2 if len(values) > 1 else values
    above_bad = (bad[None, :] > limits[:, None]).mean(axis=1)
    above_fine = (fine[None, :] > limits[:, None]).mean(axis=1)
    best = int(np.argmax(np.abs(above_bad - above_fine)))
    limit, above = float(limits[best]), above_bad[best] > above_fine[best]
    bad_in, fine_in = (
        int(np.count_nonzero(values > limit if above else values <= limit))
        for values in (bad, fine)
    )
    bad_out, fine_out = len(bad) - bad_in, len(fine) - fine_in
    word, unit, digits = WORDS[name]
    where = "above" if above else "up to"
    figure = f"{round(limit, digits):.{max(digits, 0)}f}"
    among, elsewhere = bad_in + fine_in, bad_out + fine_out
    low, high = lower_bound(bad_in, among), upper_bound(bad_in, among)
    often = "Only" if not bad_out else "Mostly"
    return (
        f"{often} with {word} {where} {figure} {unit}: {bad_in} of {among} {noun} failed there "
        f"({100 * low:.0f} to {100 * high:.0f} %), {bad_out} of {elsewhere} elsewhere."
    )
