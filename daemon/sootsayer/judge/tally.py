"""What was seen of each link, in round figures: the exposure that stands beside every word."""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np

from sootsayer.derive.edges import OPEN_POINTS
from sootsayer.derive.frames import FRAME_S
from sootsayer.derive.keep import Kept
from sootsayer.derive.opened import Judged
from sootsayer.derive.quantities import Quantities
from sootsayer.derive.stops import Stop


class Tally(Kept):
    """Running totals over the whole recording and the newest openings and stops."""

    kept = ("cruise_s", "cruise_asked_s", "openings", "most_asked_pct", "recent", "idle")

    def __init__(self) -> None:
        self.cruise_s = 0.0
        self.cruise_asked_s = 0.0
        self.openings = 0
        self.most_asked_pct = 0.0
        # [flow, sd, due, gas %, sd %, asked %, moved % or None] of openings whose flow was seen
        self.recent: deque[list[Any]] = deque(maxlen=40)
        self.idle: deque[float] = deque(maxlen=20)  # rpm sd of warm stops

    def step(self, q: Quantities, openings: list[Judged], stops: list[Stop]) -> None:
        cruise = (q.states["cruise"] == 1) & ~np.isnan(q.asked)
        self.cruise_s += float(np.count_nonzero(cruise)) * FRAME_S
        asked = cruise & (q.asked > OPEN_POINTS)
        self.cruise_asked_s += float(np.count_nonzero(asked)) * FRAME_S
        for judged in openings:
            opening = judged.opening
            self.openings += 1
            self.most_asked_pct = max(self.most_asked_pct, opening.asked_pct)
            if opening.flow_g_s is not None:
                self.recent.append([
                    opening.flow_g_s, opening.flow_sd_g_s, opening.due_g_s, opening.gas_pct,
                    opening.gas_sd_pct, opening.asked_pct, opening.moved_pct,
                ])  # fmt: skip
        self.idle.extend(stop.rpm_sd for stop in stops)

    def gas_pct(self) -> tuple[float, float] | None:
        """Mean gas share of recent openings and the standard deviation of one opening."""
        if not self.recent:
            return None
        shares = [record[3] for record in self.recent]
        sds = [record[4] for record in self.recent]
        return float(np.mean(shares)), float(np.median(sds))

    def flow_part(self) -> float | None:
        """Recent flow over due flow, summed over openings."""
        due = sum(record[2] for record in self.recent)
        return sum(record[0] for record in self.recent) / due if due > 0 else None
