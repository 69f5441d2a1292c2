"""What fuel trims say of the air meter.

Fuel follows the air meter, and gas leaves the mixture alone, so trims that leave their usual
place say that the meter reads otherwise than it did, or that air goes past it, or that the fire
misses. None of them is recirculation.
"""

from __future__ import annotations

import numpy as np

from sootsayer.derive.cylinder import Rows, idle_rows
from sootsayer.derive.gains import smoothed
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities
from sootsayer.model import BoolArray

STRANGE_PCT = 6.0  # nothing is learned from a meter that trims contradict by so much
MOVED_PCT = 4.0  # a usual place that has gone so far makes what rests on the meter doubtful
UNSTEADY_LEAST, UNSTEADY_SHARE = 5.0, 0.3  # openings contradicted: a meter wrong at times
RIPPLE_PCT = 2.5  # what a sound control loop swings by over a few seconds
REACH_PCT = 0.05  # by which one row moves the usual place: a middle, which bursts hardly move
FIRST_REACH_PCT = 2.0  # shared among the first rows
EARLY_ROWS = 200.0  # some seven minutes under load: so little is better learned anew
RISE_PCT = 8.0  # below this, trims at idle and under load count as equal; common practice


class FuelTrims(Kept):
    """Short and long term trim together, in per cent, with the valve shut."""

    kept = (
        "idle_pct", "load_pct", "usual_pct", "rows", "taught_rows", "taught_sum", "openings",
        "contradicted",
    )  # fmt: skip

    def __init__(self) -> None:
        self.idle_pct = float("nan")
        self.load_pct = float("nan")
        self.usual_pct = float("nan")  # under load: a middle, which bursts hardly move
        self.rows = 0.0
        self.taught_rows = 0.0  # under load, that breathing was learned from
        self.taught_sum = 0.0  # the usual place in each of them
        self.openings = 0.0
        self.contradicted = 0.0  # of them: by trims that stood too far off

    def learn(self, q: Quantities) -> None:
        """From a block in which breathing was learned."""
        trim = q.trim_pct()
        idle = (q.states["idle"] == 1) & q.settled & ~np.isnan(trim)
        load = (q.states["cruise"] == 1) & q.settled & ~np.isnan(trim)
        if idle.any():
            self.idle_pct = smoothed(self.idle_pct, float(trim[idle].mean()))
        if load.any():
            self.load_pct = smoothed(self.load_pct, float(trim[load].mean()))

    def believed(self, q: Quantities, rows: Rows, shut: BoolArray) -> BoolArray:
        """Rows in which trims do not contradict the meter, shape (5,); the usual place follows.

        At idle they must agree with those under load, too: where they do not, air goes past the
        meter or the fire misses.
        """
        load = shut & ~idle_rows(q) & ~np.isnan(rows.trim_pct)
        for trim_pct in rows.trim_pct[load].tolist():
            self._follow(trim_pct)
        kept: BoolArray = shut & ~(np.abs(rows.trim_pct - self.usual_pct) > STRANGE_PCT)
        taught = float(np.count_nonzero(load & kept))
        if taught:
            self.taught_rows += taught
            self.taught_sum += taught * self.usual_pct
        return kept

    def _follow(self, trim_pct: float) -> None:
        self.rows += 1
        if np.isnan(self.usual_pct):
            self.usual_pct = trim_pct
        reach = max(REACH_PCT, FIRST_REACH_PCT / self.rows)
        self.usual_pct += min(max(trim_pct - self.usual_pct, -reach), reach)

    def fade(self, memory: float) -> None:
        """Let what was counted count as much less as the breathing learned then."""
        self.taught_rows *= memory
        self.taught_sum *= memory
        self.openings *= memory
        self.contradicted *= memory

    def moved_pct(self) -> float:
        """How far the usual place has gone from where it was when breathing was learned; 0 where
        not seen."""
        return self.usual_pct - self.taught_sum / self.taught_rows if self.taught_rows else 0.0

    def moved(self) -> bool:
        """Whether that is farther than weather and fuel go."""
        return abs(self.moved_pct()) > MOVED_PCT

    def note_opening(self, trim_pct: float) -> None:
        """Count an opening by its mean trim."""
        off_pct = self._off_pct(trim_pct)
        if not np.isnan(off_pct):
            self.openings += 1
            self.contradicted += off_pct > STRANGE_PCT

    def unsteady(self) -> bool:
        """Whether the meter reads wrong at times: trims contradict it at many openings."""
        return self.contradicted >= max(UNSTEADY_LEAST, UNSTEADY_SHARE * self.openings)

    def doubted(self) -> bool:
        """Whether what rests on the meter is not believed."""
        return self.moved() or self.unsteady()

    def began_wrong(self) -> bool:
        """Whether the little that was learned so far comes from a meter that read otherwise."""
        return self.moved() and self.taught_rows < EARLY_ROWS

    def doubt(self, trim_pct: float) -> float:
        """Share of its reading by which the meter may be off against what it read when
        breathing was learned, by the trims of the same time; 0 where not seen."""
        off_pct = self._off_pct(trim_pct)
        return 0.0 if np.isnan(off_pct) else max(0.0, off_pct - RIPPLE_PCT) / 100

    def _off_pct(self, trim_pct: float) -> float:
        """How far trims stand from where they were when breathing was learned; NaN where not
        seen."""
        if not self.taught_rows:
            return float("nan")
        return abs(trim_pct - self.taught_sum / self.taught_rows)

    def taken_away(self, trim_pct: float) -> bool:
        """Whether so much fuel is taken away at idle that the meter must read too high then."""
        return trim_pct < self.usual_pct - STRANGE_PCT

    def unmetered_share(self) -> float:
        """Air past the meter as a share of idle air, by trims at idle against those under load;
        0 if not seen."""
        rise_pct = self.idle_pct - self.load_pct
        return rise_pct / 100 if rise_pct >= RISE_PCT else 0.0
