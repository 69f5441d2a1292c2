"""How the control unit commands (rules A2 and A3)."""

from __future__ import annotations

import numpy as np

from sootsayer.derive.frames import BLOCK_FRAMES
from sootsayer.model import FloatArray
from sootsayer.rules.book import Rule
from sootsayer.rules.seen import Chance, Seen


def outside_band(seen: Seen) -> FloatArray:
    """Points by which the command lies outside what it was in like conditions."""
    band = seen.happened.band
    return np.full(BLOCK_FRAMES, np.nan) if band is None else band


def hunting(rule: Rule, seen: Seen) -> list[Chance]:
    """Each half minute of steady cruise in which gas was asked for."""
    made = []
    for steady in seen.happened.steady:
        often = steady.reversals_a_minute
        fact = f"the command turned back {often:.0f} times a minute"
        failed = often > rule.limit("fail_above")
        made.append(Chance(steady.start_ms, steady.end_ms, failed, often, fact, seen.context))
    return made
