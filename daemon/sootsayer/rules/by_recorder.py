"""The recorder's own rules: what makes other findings doubtful and never accuses the engine."""

from __future__ import annotations

import numpy as np

from sootsayer.derive.frames import BLOCK_FRAMES
from sootsayer.model import FloatArray
from sootsayer.rules.book import Rule
from sootsayer.rules.seen import Chance, Seen


def frozen(rule: Rule, seen: Seen) -> list[Chance]:
    """Each five minutes of engine time: no channel stood still while its partners moved."""
    made = []
    for look in seen.happened.looks:
        fact = f"stood still: {', '.join(look.frozen)}" if look.frozen else "all channels moved"
        made.append(
            Chance(look.start_ms, look.end_ms, bool(look.frozen), float(len(look.frozen)), fact,
                   seen.context)
        )  # fmt: skip
    return made


def clock_unset(seen: Seen) -> FloatArray:
    """1 while the recorder's clock has not been set since it started."""
    own = seen.happened.own
    return np.full(BLOCK_FRAMES, np.nan) if own is None else own[0]


def room_short(seen: Seen) -> FloatArray:
    """1 while the recorder must remove what it would rather keep."""
    own = seen.happened.own
    return np.full(BLOCK_FRAMES, np.nan) if own is None else own[1]


def battery_v(seen: Seen) -> FloatArray:
    """Supply voltage as the control unit or the adapter measures it."""
    columns = seen.q.block.columns
    return columns["vpwr"] if "vpwr" in columns else seen.q.block.column("adapter_voltage")
