"""Knock contrast: is spark taken back more at openings without gas than at those with it?

Fuel, carbon and a touchy sensor take spark back whether gas flows or not; only missing gas does
it at the openings that lack gas.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

import numpy as np

from sootsayer.derive.keep import Kept
from sootsayer.derive.opened import Judged
from sootsayer.derive.spark import SparkOpening

MISSING_SHARE = 0.30  # of the due gas; less is an opening without …
FLOWING_SHARE = 0.60  # … and more is one with gas
CLEAR_SIGMAS = 5.0
WAITING = 12
REMEMBERED = 60
LEAST_EACH = 5


class KnockContrast(Kept):
    """Retard of openings without and with gas, matched by their time."""

    kept = ("sparks", "flows", "without", "with_gas")

    def __init__(self) -> None:
        self.sparks: deque[list[float]] = deque(maxlen=WAITING)  # [start_ms, end_ms, retard °]
        self.flows: deque[list[float]] = deque(maxlen=WAITING)  # [start_ms, end_ms, share of due]
        self.without: deque[float] = deque(maxlen=REMEMBERED)
        self.with_gas: deque[float] = deque(maxlen=REMEMBERED)

    def step(
        self, sparks: Iterable[SparkOpening], openings: Iterable[Judged]
    ) -> tuple[float, float, float] | None:
        """(degrees later without gas than with it, sd, openings of the rarer sort), None where
        nothing new was seen or too little."""
        self.sparks += [
            [float(s.start_ms), float(s.end_ms), s.retard_deg]
            for s in sparks
            if s.retard_deg is not None
        ]
        self.flows += [row for row in map(_share, openings) if row is not None]
        if not self.sparks or not self.flows or not self._match():
            return None
        rarer = min(len(self.without), len(self.with_gas))
        if rarer < LEAST_EACH:
            return None
        without, with_gas = np.array(self.without), np.array(self.with_gas)
        sd = np.sqrt(without.var(ddof=1) / len(without) + with_gas.var(ddof=1) / len(with_gas))
        return float(without.mean() - with_gas.mean()), float(sd), float(rarer)

    def _match(self) -> bool:
        """Put each spark opening that has its flow where it belongs; whether any was."""
        waiting = list(self.sparks)
        self.sparks.clear()
        for spark in waiting:
            share = next((flow[2] for flow in self.flows if _same(spark, flow)), None)
            if share is None:
                self.sparks.append(spark)
            elif share < MISSING_SHARE:
                self.without.append(spark[2])
            elif share > FLOWING_SHARE:
                self.with_gas.append(spark[2])
        return len(self.sparks) < len(waiting)


def _share(judged: Judged) -> list[float] | None:
    flow, opening = judged.flow, judged.opening
    if flow is None or flow.due_asked_g_s < CLEAR_SIGMAS * flow.sd_g_s:
        return None
    return [float(opening.start_ms), float(opening.end_ms), flow.flow_g_s / flow.due_asked_g_s]


def _same(spark: list[float], flow: list[float]) -> bool:
    """Whether the spark's settled stretch begins within this opening, which may hold several: a
    command that nearly shuts ends the one and not the other."""
    return flow[0] <= spark[0] < flow[1]
