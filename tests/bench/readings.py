"""Readings of an invented drive for the storage benchmarks: no model of an engine, only its
statistics. Four replies of six channels every 100 ms, whole-millisecond stamps with polling
jitter, 8- and 16-bit raw integers: fast ones that wander with sensor noise, slow ones that creep,
states that seldom change.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sootsayer.model import Batch, IntArray, Scaling, Series

REPLIES = 4
PERIOD_MS = 100
JITTER_MS = 4.0  # standard deviation of when an adapter gets round to a reply
MINUTE_MS = 60_000


@dataclass(frozen=True, slots=True)
class Shape:
    """How one channel moves: a wander towards rest plus sensor noise, in raw counts."""

    name: str
    wander: float  # standard deviation of the slow part
    hold_s: float  # its correlation time
    noise: float  # white noise of the sensor, counts
    top: int  # largest raw integer


SHAPES = (
    Shape("rpm", 2400, 8, 9, 65535),
    Shape("map", 28, 3, 0.4, 255),
    Shape("maf", 900, 4, 14, 65535),
    Shape("tp", 22, 3, 0.2, 255),
    Shape("load_pct", 40, 3, 0.6, 255),
    Shape("sparkadv", 18, 2, 0.8, 255),
    Shape("shrtft1", 4, 2, 0.7, 255),
    Shape("longft1", 2, 300, 0.0, 255),
    Shape("vss", 30, 30, 0.0, 255),
    Shape("egr_pct", 30, 5, 0.3, 255),
    Shape("egr_err", 6, 2, 0.6, 255),
    Shape("o2s11", 60, 0.7, 1.0, 255),
    Shape("ect", 6, 600, 0.0, 255),
    Shape("iat", 5, 300, 0.0, 255),
    Shape("baro", 1, 3000, 0.0, 255),
    Shape("fli", 2, 900, 0.1, 255),
    Shape("vpwr", 120, 60, 22, 65535),
    Shape("eq_rat", 300, 2, 60, 65535),
    Shape("load_abs", 35, 3, 0.6, 65535),
    Shape("app_d", 25, 3, 0.2, 255),
    Shape("tac_pct", 22, 3, 0.2, 255),
    Shape("fuelsys1", 1, 200, 0.0, 4),
    Shape("runtm", 0, 1, 0.0, 65535),
    Shape("evap_pct", 30, 15, 0.2, 255),
)


def scaling(shape: Shape) -> Scaling:
    return Scaling(f"{shape.name}_bench", 0.25, -40.0, "%")


def wander(rng: np.random.Generator, count: int, hold_s: float) -> np.ndarray:
    """A stationary first-order wander of unit variance, by linear steps between knots."""
    step = max(1, int(hold_s * 1000 / PERIOD_MS))
    knots = rng.standard_normal(count // step + 3)
    smooth = np.interp(np.arange(count), np.arange(len(knots)) * step, knots)
    return np.asarray(smooth)


def raw_of(shape: Shape, rng: np.random.Generator, count: int) -> IntArray:
    if shape.name == "runtm":
        return (np.arange(count) * PERIOD_MS // 1000).astype(np.int64) % 65536
    middle = shape.top * 0.45
    curve = middle + shape.wander * wander(rng, count, shape.hold_s)
    curve += shape.noise * rng.standard_normal(count)
    return np.clip(np.rint(curve), 0, shape.top).astype(np.int64)


def stamps(rng: np.random.Generator, start_ms: int, count: int, reply: int) -> IntArray:
    lag = 25 * reply + np.clip(rng.normal(0, JITTER_MS, count), -12, 12)
    due = start_ms + 1 + np.arange(count) * PERIOD_MS
    return np.sort(due + np.rint(lag + 12).astype(np.int64))


def drive(start_ms: int, minutes: int, seed: int = 1) -> list[Batch]:
    """A drive cut into batches of one minute; every minute holds 14,400 samples."""
    rng = np.random.default_rng(seed)
    count = minutes * MINUTE_MS // PERIOD_MS
    clocks = [stamps(rng, start_ms, count, reply) for reply in range(REPLIES)]
    columns = [(shape, clocks[i // 6], raw_of(shape, rng, count)) for i, shape in enumerate(SHAPES)]
    return [
        Batch(
            upto_ms=upto,
            series=tuple(_cut(column, upto - MINUTE_MS, upto) for column in columns),
        )
        for upto in range(start_ms + MINUTE_MS, start_ms + MINUTE_MS * minutes + 1, MINUTE_MS)
    ]


def _cut(column: tuple[Shape, IntArray, IntArray], start_ms: int, end_ms: int) -> Series:
    shape, t_ms, raw = column
    low, high = np.searchsorted(t_ms, [start_ms, end_ms], side="right")
    return Series(shape.name, scaling(shape), t_ms[low:high], raw[low:high])
