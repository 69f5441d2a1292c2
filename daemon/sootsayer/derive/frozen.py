"""Channels that stand still to the last step while their partners move: a recorder's concern."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sootsayer.derive.frames import BLOCK_MS
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities

STRETCH_BLOCKS = 30  # five minutes (rule R2)
CHANNELS = ("rpm", "map", "maf", "tp")
# Partner → how far it must have moved, so that a sound channel would have moved with it.
PARTNERS: dict[str, dict[str, float]] = {
    "rpm": {"map": 20.0, "tp": 8.0},
    "map": {"rpm": 500.0, "tp": 8.0},
    "maf": {"rpm": 500.0, "map": 15.0},
    "tp": {"rpm": 500.0, "map": 15.0},
}
UNIT_STEP = 1e-6  # values are equal if they differ by rounding only


@dataclass(frozen=True, slots=True)
class Look:
    """Five minutes of engine time: which channels stood still although they should not."""

    start_ms: int
    end_ms: int
    frozen: tuple[str, ...]


class Frozen(Kept):
    """Least and greatest of a few channels that belong together, five minutes at a time."""

    kept = ("blocks", "start_ms", "low", "high")

    def __init__(self) -> None:
        self._clear()

    def _clear(self) -> None:
        self.blocks = 0
        self.start_ms = 0
        self.low = np.full(len(CHANNELS), np.nan)
        self.high = np.full(len(CHANNELS), np.nan)

    def step(self, q: Quantities) -> list[Look]:
        if not q.running().all():
            return []
        columns = np.array([q.rpm, q.map, q.maf, q.throttle])
        if not self.blocks:
            self.start_ms = q.block.start_ms
        self.low = np.fmin(self.low, np.fmin.reduce(columns, axis=1))
        self.high = np.fmax(self.high, np.fmax.reduce(columns, axis=1))
        self.blocks += 1
        if self.blocks < STRETCH_BLOCKS:
            return []
        moved = dict(zip(CHANNELS, (self.high - self.low).tolist(), strict=True))
        made = Look(self.start_ms, q.block.end_ms, tuple(c for c in CHANNELS if _stuck(c, moved)))
        self._clear()
        return [made] if made.end_ms - made.start_ms < 4 * STRETCH_BLOCKS * BLOCK_MS else []


def _stuck(channel: str, moved: dict[str, float]) -> bool:
    """Whether it stood still while all partners that are known, one at least, moved enough."""
    known = {p: least for p, least in PARTNERS[channel].items() if moved[p] == moved[p]}
    return (
        moved[channel] <= UNIT_STEP
        and bool(known)
        and all(moved[partner] > least for partner, least in known.items())
    )
