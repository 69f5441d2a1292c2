"""Duty and period of a solenoid from the times at which its line changed. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

NS_PER_MS = 1_000_000
MOST_KEPT = 4096  # edges waiting for a whole cycle; at 300 Hz several seconds


@dataclass(frozen=True, slots=True)
class Edge:
    """``rising``: the line became active. ``number`` counts up by one; a jump means lost edges."""

    t_ns: int
    rising: bool
    number: int


@dataclass(frozen=True, slots=True)
class Duty:
    """Over whole cycles, from one switching-on to another."""

    duty_pct: float
    period_ms: float
    cycles: int


@dataclass(frozen=True, slots=True)
class Cycles:
    """What was measured, what is left for the next look, and how often edges were missing."""

    duty: Duty | None
    rest: tuple[Edge, ...]
    lost: int


def cycles_in(edges: Sequence[Edge]) -> Cycles:
    """``edges`` in order of time, the rest of the last look first.

    Where an edge is missing, nothing is measured across the place: on-times and periods before
    and after it are whole, and only they count.
    """
    on_ns = whole_ns = cycles = lost = 0
    begun: Edge | None = None  # switching-on of the running cycle
    off: Edge | None = None
    last: Edge | None = None
    for edge in edges:
        follows = last is None or (edge.number == last.number + 1 and edge.rising != last.rising)
        if not follows or (last is not None and edge.t_ns < last.t_ns):
            lost += 1
            begun = off = None
        if edge.rising:
            if begun is not None and off is not None:
                on_ns += off.t_ns - begun.t_ns
                whole_ns += edge.t_ns - begun.t_ns
                cycles += 1
            begun, off = edge, None
        else:
            off = edge if begun is not None else None
        last = edge
    rest = tuple(edge for edge in (begun, off) if edge is not None)
    if last is not None and last not in rest:
        rest = (last,)  # so that the next look sees whether an edge is missing in between
    if not whole_ns:
        return Cycles(None, rest, lost)
    period_ms = whole_ns / cycles / NS_PER_MS
    return Cycles(Duty(100.0 * on_ns / whole_ns, period_ms, cycles), rest, lost)
