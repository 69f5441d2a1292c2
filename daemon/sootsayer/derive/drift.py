"""What changes slowly: the flow of fully open openings, and the place where the valve shuts.

Values of one trip resemble each other, so one trip is one witness: significance and sums rest on
one middle value per trip, while the slope of flow is taken over single openings.
"""

from __future__ import annotations

import math
from collections import deque
from statistics import median

import numpy as np

from sootsayer.derive.keep import Kept
from sootsayer.derive.opened import Judged
from sootsayer.derive.stops import Rest
from sootsayer.derive.trend import Cusum, mann_kendall, slope_between, theil_sen

TRIPS = 200
OPENINGS = 300
LEAST_OPENING_PCT = 8.0  # smaller openings are too much at the mercy of the position's grain
CLEAR_SIGMAS = 5.0
TRIP_OPENINGS = 3  # fewer make no middle
REFERENCE_LEAST = 3  # trips before sums begin …
REFERENCE_MOST = 60  # … and trips after which the reference stands
BOUND = 4.0  # robust: one odd trip counts at most four deviations
CALM = 4.0  # sums beyond this teach the reference nothing, lest it learn the fault
# Spread between trips that a car is credited with before its own is known: fuel, weather and the
# exhaust's own temperature move a sound valve's flow by several per cent for weeks. It weighs as
# much as so many trips, and no car is credited with less.
PRIOR_SHARE = 0.08
PRIOR_TRIPS = 10
UNSTEADY_SHARE = 0.10  # a car whose trips differ by more than that has no usual flow to drop below


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
            self.middles.append(median(self.current))
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


class TripSums(Kept):
    """Cumulative sums of one middle value per trip against the car's own first trips.

    Self-starting (Hawkins, 1987): each trip is measured against the mean and spread of those
    before it and turned into a normal deviation by Student's distribution, so that the rate of
    false alarms holds from the fourth trip on, although the reference is only just being learned.
    """

    kept = ("trips", "mean", "squares", "sums")

    def __init__(self) -> None:
        self.trips = 0  # of the reference
        self.mean = 0.0
        self.squares = 0.0  # summed about the mean
        self.sums = Cusum()

    def add(self, middle: float) -> None:
        deviation = self._deviation(middle)
        if deviation is not None:
            self.sums.add(max(-BOUND, min(BOUND, deviation)))
        calm = max(self.sums.up, self.sums.down) < CALM
        if calm and self.trips < REFERENCE_MOST:
            self.trips += 1
            off = middle - self.mean
            self.mean += off / self.trips
            self.squares += off * (middle - self.mean)

    def _deviation(self, middle: float) -> float | None:
        n = self.trips
        if n < REFERENCE_LEAST:
            return None
        prior = PRIOR_TRIPS * (PRIOR_SHARE * self.mean) ** 2
        freedom = n - 1 + PRIOR_TRIPS
        sd = max(math.sqrt((self.squares + prior) / freedom), PRIOR_SHARE * abs(self.mean))
        if sd == 0 or sd > UNSTEADY_SHARE * abs(self.mean):
            return None
        return as_normal(math.sqrt(n / (n + 1)) * (middle - self.mean) / sd, freedom)


def as_normal(t: float, freedom: int) -> float:
    """The normal deviation as rare as this value of Student's t (Wallace, 1959)."""
    size = (8 * freedom + 1) / (8 * freedom + 3) * math.sqrt(freedom * math.log1p(t * t / freedom))
    return math.copysign(size, t)


class Drift(Kept):
    """Slow changes of flow and of the shut place since the car was known or last repaired."""

    kept = ("flow", "shut", "openings", "sums", "values")

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """A repair makes another car of it."""
        self.flow = TripMiddles()
        self.shut = TripMiddles()
        self.openings: list[list[float]] = []  # [number, trip, flow], thinned when there are many
        self.sums = TripSums()
        self.values = 0

    def add_opening(self, judged: Judged) -> bool:
        """Whether a trip was completed by this opening of the next one."""
        value = flow_when_full(judged)
        if value is None:
            return False
        self.values += 1
        trip = judged.opening.trip
        completed = self.flow.add(trip, value)
        if completed and self.flow.counts[-1] >= TRIP_OPENINGS:
            self.sums.add(self.flow.middles[-1])
        self.openings.append([float(self.values), float(trip), value])
        if len(self.openings) > OPENINGS:
            self.openings = self.openings[::2]
        return completed

    def fade(self) -> tuple[float, float]:
        """(share of its flow that the valve lost over the whole time, chance of so steady a
        change without any): slope over openings, of pairs from different trips; chance over
        trips."""
        rows = np.array(self.openings)
        slope = slope_between(rows[:, 0], rows[:, 2], rows[:, 1])
        at_first = float(np.median(rows[:, 2] - slope * (rows[:, 0] - rows[0, 0])))
        if at_first <= 0:
            return 0.0, 1.0
        lost = -slope * float(rows[-1, 0] - rows[0, 0]) / at_first
        return lost, mann_kendall(np.array(self.flow.middles))

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
