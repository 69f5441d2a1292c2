"""Gas past the shut valve at single warm stops, so that a leak which comes and goes is counted.

The long-run breathing is held and each stop judged by itself: what the engine
ought to take in by speed and pressure, less what the air meter saw. On cars without an air meter
a leak is not separable from idle air, and under compression ignition nothing is choked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sootsayer.derive.balance import LEAK, TRIM_RAIL_PCT, FlowBalance
from sootsayer.derive.cylinder import ROWS, Rows, idle_rows
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities
from sootsayer.model import BoolArray, FloatArray

GAP_MS = 20_000  # a stop goes on over a twitch of the pedal
LONGEST_MS = 120_000  # a long wait counts anew every two minutes, for faults that come midway
LEAST_ROWS = 2  # four settled seconds
# After so many rows at a standstill rows that do not settle count, too: an engine that misfires
# from so much gas never settles, and over a stop the filling of its manifold averages out.
RESTLESS_ROWS = 3
SHUT = 0.01  # opening


@dataclass(frozen=True, slots=True)
class StopGas:
    """One warm stop. ``gas_pct`` of what the engine draws and its sd, by its breathing under
    all loads; ``above_pct`` beyond what long-run breathing holds for idle, a lasting leak taken
    for normal. ``restless``: mostly of rows that did not settle, whose speed and pressure swing
    together, which looks like some gas."""

    start_ms: int
    end_ms: int
    gas_pct: float
    sd_pct: float
    above_pct: float
    restless: bool


class StopGases(Kept):
    """Sums the rows of each stop."""

    kept = ("start_ms", "last_ms", "standing", "rows", "settled", "features", "target", "trim",
            "trims")  # fmt: skip

    def __init__(self) -> None:
        self.start_ms: int | None = None
        self.standing = 0  # rows in a row at a standstill
        self._clear()

    def _clear(self) -> None:
        self.start_ms = None
        self.last_ms = 0
        self.rows = 0
        self.settled = 0
        self.features: FloatArray = np.zeros(LEAK + 1)
        self.target = 0.0
        self.trim = 0.0  # summed over blocks that told it
        self.trims = 0

    def step(self, q: Quantities, rows: Rows | None, balance: FlowBalance) -> list[StopGas]:
        """Stops that ended before or with this block."""
        if balance.mode != "maf" or balance.compression:
            return []
        done: list[StopGas | None] = []
        start_ms, end_ms = q.block.start_ms, q.block.end_ms
        if self.start_ms is not None and start_ms - self.last_ms > GAP_MS:
            done.append(self._close(balance))
        if not q.block.contiguous:
            self.standing = 0
        stands = idle_rows(q)
        long = self._long_at_rest(stands) if stands.any() or self.standing else stands
        idle = np.zeros(ROWS, dtype=np.bool_)
        if rows is not None:
            idle = stands & (rows.usable | long & rows.known) & (rows.opening < SHUT)
        if rows is not None and idle.any():
            self.settled += int(np.count_nonzero(idle & rows.usable))
            self._add(q, rows.features[idle], rows.target[idle])
            if self.start_ms is not None and end_ms - self.start_ms >= LONGEST_MS:
                done.append(self._close(balance))
        return [stop for stop in done if stop is not None]

    def _long_at_rest(self, stands: BoolArray) -> BoolArray:
        """Which rows follow on enough others at a standstill."""
        long: list[bool] = []
        for still in stands.tolist():
            long.append(still and self.standing >= RESTLESS_ROWS)
            self.standing = self.standing + 1 if still else 0
        return np.array(long)

    def _add(self, q: Quantities, features: FloatArray, target: FloatArray) -> None:
        if self.start_ms is None:
            self.start_ms = q.block.start_ms
        self.last_ms = q.block.end_ms
        self.rows += len(target)
        self.features = self.features + features.sum(axis=0)
        self.target += float(target.sum())
        trim = q.trim_pct()[q.states["idle"] == 1]
        known = trim[~np.isnan(trim)]
        if len(known):
            self.trim += float(known.mean())
            self.trims += 1

    def _close(self, balance: FlowBalance) -> StopGas | None:
        start_ms, last_ms, rows = self.start_ms, self.last_ms, self.rows
        restless = 2 * self.settled < rows
        features, target = self.features / max(rows, 1), self.target / max(rows, 1)
        trim_pct = self.trim / self.trims if self.trims else float("nan")
        self._clear()
        if start_ms is None or rows < LEAST_ROWS or not balance.ready():
            return None
        unmetered = unmetered_share(trim_pct, balance.trims.load_pct)
        if unmetered is None or balance.trims.taken_away(trim_pct):
            return None
        without_leak = features.copy()
        without_leak[LEAK] = 0.0
        gas, sd, _ = balance.displaced(without_leak, target, rows)
        above, _, _ = balance.displaced(features, target, rows)
        past_meter = unmetered * target
        per_cent = 100 / max(target + max(gas, 0.0), 0.1)
        return StopGas(
            start_ms, last_ms, (gas - past_meter) * per_cent, sd * per_cent,
            (above - past_meter) * per_cent, restless,
        )  # fmt: skip


def unmetered_share(trim_pct: float, load_trim_pct: float) -> float | None:
    """Air past the meter, or air that it failed to see, as a share of what it saw, by this stop's
    trims against those under load; 0 where not seen, None where trims stand near their end.

    However small the rise is, it counts: trims take their time, so they tell too little of what
    comes and goes rather than too much.
    """
    if trim_pct > TRIM_RAIL_PCT:
        return None
    rise_pct = trim_pct - load_trim_pct
    return rise_pct / 100 if rise_pct > 0.0 else 0.0
