"""What changes slowly: the flow of fully open openings, and the place where the valve shuts.

Values of one trip resemble each other, so significance rests on one middle value per trip; the
cumulative sums take one value per opening, measured in deviations that allow for that.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from sootsayer.derive.keep import Kept
from sootsayer.derive.opened import Judged
from sootsayer.derive.stops import Rest
from sootsayer.derive.trend import Cusum, mann_kendall, theil_sen
from sootsayer.model import FloatArray

TRIPS = 200
LEAST_OPENING_PCT = 8.0  # smaller openings are too much at the mercy of the position's grain
CLEAR_SIGMAS = 5.0
REFERENCE_TRIPS = 5
REFERENCE_VALUES = 30
BOUND = 3.0  # robust: one odd opening counts at most three deviations
FLOOR_SHARE = 0.02  # of the reference: no opening is known better


class TripMiddles(Kept):
    """One middle value per trip, and whether they creep."""

    kept = ("trips", "middles", "counts", "current", "trip")

    def __init__(self) -> None:
        self.trips: deque[float] = deque(maxlen=TRIPS)
        self.middles: deque[float] = deque(maxlen=TRIPS)
        self.counts: deque[int] = deque(maxlen=TRIPS)
        self.current: list[float] = []
        self.trip = 0

    def add(self, trip: int, value: float) -> bool:
        """Take in a value; whether a trip was completed by it."""
        done = bool(self.current) and trip != self.trip
        if done:
            self.trips.append(float(self.trip))
            self.middles.append(float(np.median(self.current)))
            self.counts.append(len(self.current))
            self.current = []
        self.trip = trip
        self.current.append(value)
        return done

    def trend(self) -> tuple[float, float, float, float]:
        """(middle value, change over the whole span, its sd, chance of it without a trend)."""
        x, y = np.array(self.trips), np.array(self.middles)
        slope = theil_sen(x, y)
        if slope is None:
            return float(np.median(y)), 0.0, 0.0, 1.0
        span = float(x[-1] - x[0])
        sd = (slope.high - slope.low) * span / (2 * 1.96)
        return float(np.median(y)), slope.slope * span, sd, mann_kendall(y)


class Drift(Kept):
    """Slow changes of flow and of the shut place since the car was known or last repaired."""

    kept = ("flow", "shut", "reference", "known", "sums", "values")

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """A repair makes another car of it."""
        self.flow = TripMiddles()
        self.shut = TripMiddles()
        self.reference: list[list[float]] = []  # [trip, flow] of the first openings
        self.known: list[float] = []  # reference flow and its deviation
        self.sums = Cusum()
        self.values = 0

    def add_opening(self, judged: Judged) -> tuple[bool, bool]:
        """Whether a trip was completed, and whether the sums went on."""
        value = flow_when_full(judged)
        if value is None:
            return False, False
        self.values += 1
        trip = judged.opening.trip
        completed = self.flow.add(trip, value)
        if self.known:
            middle, sd = self.known
            self.sums.add(float(np.clip((value - middle) / sd, -BOUND, BOUND)))
            return completed, True
        self.reference.append([float(trip), value])
        enough = len(self.reference) >= REFERENCE_VALUES
        if completed and enough and len({row[0] for row in self.reference}) > REFERENCE_TRIPS:
            self.known = reference_of(np.array(self.reference[:-1]))
            self.reference = []
        return completed, False

    def add_rest(self, trip: int, rest: Rest) -> bool:
        """Whether a trip was completed by this stretch with the valve asked shut."""
        return self.shut.add(trip, rest.mean_points)


def flow_when_full(judged: Judged) -> float | None:
    """Flow of one opening carried to the fully open valve; None where it was too small to say."""
    flow, opening = judged.flow, judged.opening
    place_pct = opening.asked_pct if opening.moved_pct is None else opening.moved_pct
    if flow is None or place_pct < LEAST_OPENING_PCT or flow.due_g_s <= 0:
        return None
    if flow.due_g_s < CLEAR_SIGMAS * flow.sd_g_s:
        return None
    # The rows' own opening, which is what ``due`` was made from, not the mean over the opening.
    return flow.flow_g_s / (flow.opening * flow.scale) if flow.opening > 0 else None


def reference_of(rows: FloatArray) -> list[float]:
    """[middle, deviation] for sums over openings: that of one opening within its trip and, as
    openings of a trip share their trip's own deviation, that between trips times their number."""
    trips = [rows[rows[:, 0] == trip, 1] for trip in np.unique(rows[:, 0])]
    middles = np.array([np.median(part) for part in trips])
    within = float(np.mean([np.var(part) for part in trips]))
    between = float(np.var(middles, ddof=1))
    each = len(rows) / len(trips)
    middle = float(np.median(rows[:, 1]))
    floor = (FLOOR_SHARE * abs(middle)) ** 2
    return [middle, float(np.sqrt(within + each * between + floor))]
