"""What a control unit announces about its own replies, and how later replies are read for it.

Greatest values (PIDs 4F and 50), oxygen sensor places (13 and 1D), the length of fuel trims and
the support bitmaps. Kept per control unit and never mixed: what one unit supports says nothing
about another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

from sootsayer.model import Scaling
from sootsayer.protocol.pids import SUPPORT_PIDS, Layout, Limit

FOUR_BANK_BITS = 0xF0  # PID 1D: sensors of banks 3 and 4


@dataclass(frozen=True, slots=True)
class Limits:
    """What changes the reading of replies. 0 for a greatest value means the default scaling."""

    ratio: int = 0  # 1
    o2_volts: int = 0  # V
    o2_milliamps: int = 0  # mA
    map_kpa: int = 0
    maf_g_s: int = 0
    four_banks: bool = False
    long_trims: bool = False  # PIDs 06-09 and 55-58 carry two bytes


@dataclass(frozen=True, slots=True)
class UnitState:
    """All that is known of one control unit from its own replies."""

    limits: Limits = Limits()
    supported: frozenset[int] = frozenset()
    bitmaps_seen: frozenset[int] = frozenset()


FRESH = UnitState()


def rescaled(scaling: Scaling, limit: Limit | None, limits: Limits) -> Scaling:
    """J1979 PIDs 4F and 50: the greatest raw value stands for the announced greatest value."""
    match limit:
        case Limit.RATIO if limits.ratio:
            top = limits.ratio
            return Scaling(f"ratio{top}/65535", top / 65535, 0.0, scaling.unit)
        case Limit.O2_VOLTS if limits.o2_volts:
            top = limits.o2_volts
            return Scaling(f"v{top}/65535", top / 65535, 0.0, scaling.unit)
        case Limit.O2_MILLIAMPS if limits.o2_milliamps:
            top = limits.o2_milliamps
            return Scaling(f"ma{top}/32768-{top}", top / 32768, -float(top), scaling.unit)
        case Limit.MAP if limits.map_kpa:
            top = limits.map_kpa
            return Scaling(f"kpa{top}/255", top / 255, 0.0, scaling.unit)
        case Limit.MAF if limits.maf_g_s:
            top = limits.maf_g_s
            return Scaling(f"g/s{top}/65535", top / 65535, 0.0, scaling.unit)
    return scaling


def support_bits(base: int, bitmap: bytes) -> frozenset[int]:
    """The ids a bitmap announces: the top bit of its first byte is ``base + 1``."""
    bits = int.from_bytes(bitmap, "big")
    return frozenset(base + 1 + i for i in range(32) if bits >> (31 - i) & 1)


def with_bitmap(state: UnitState, base: int, bitmap: bytes) -> UnitState:
    others = state.supported - frozenset(range(base + 1, base + 0x21))
    return replace(
        state,
        supported=others | support_bits(base, bitmap),
        bitmaps_seen=state.bitmaps_seen | {base},
    )


def next_bitmap(state: UnitState) -> int | None:
    """The support bitmap still to be asked for, None when the chain is complete."""
    if 0 not in state.bitmaps_seen:
        return 0
    for base, following in pairwise(sorted(SUPPORT_PIDS)):
        if following not in state.bitmaps_seen:
            announced = base in state.bitmaps_seen and following in state.supported
            return following if announced else None
    return None


def _limits_told(pid: int, body: bytes, limits: Limits) -> Limits:
    match pid:
        case 0x13:
            return replace(limits, four_banks=False)
        case 0x1D:
            long_trims = limits.long_trims or bool(body[0] & FOUR_BANK_BITS)
            return replace(limits, four_banks=True, long_trims=long_trims)
        case 0x4F:
            ratio, volts, milliamps, tens_kpa = body
            return replace(
                limits,
                ratio=ratio,
                o2_volts=volts,
                o2_milliamps=milliamps,
                map_kpa=tens_kpa * 10,
            )
        case 0x50:
            return replace(limits, maf_g_s=body[0] * 10)
    return limits


ANNOUNCING = SUPPORT_PIDS | {0x13, 0x1D, 0x4F, 0x50}


def told(layout: Layout, body: bytes, state: UnitState) -> UnitState:
    """The state after the unit gave ``body`` for this PID."""
    if layout.pid in SUPPORT_PIDS:
        return with_bitmap(state, layout.pid, body)
    limits = state.limits
    if layout.other_size == 2:
        long_trims = len(body) == 2
        if long_trims == limits.long_trims:
            return state
        return replace(state, limits=replace(limits, long_trims=long_trims))
    if layout.pid in ANNOUNCING:
        return replace(state, limits=_limits_told(layout.pid, body, limits))
    return state
