"""How often sound cars are accused by rules of slow change, by simulation with the code itself.

A trip is taken as half an hour. The budget of one rule is one false alarm in 50,000 h, so that
all rules together stay below one in a thousand. Sound demo cars differ by 2 to 3 per cent from
trip to trip.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from sootsayer.derive.drift import Drift, TripSums, as_normal
from sootsayer.derive.opened import Flow, Judged
from sootsayer.model import FloatArray, Opening
from sootsayer.rules.book import load_rules

LIFE_TRIPS = 200
LIMIT = load_rules()["F3D"].limit("raise_above")
FADED = load_rules()["F3"].limit("raise_above")


@pytest.mark.parametrize("freedom", [5, 12, 40])
@pytest.mark.parametrize("t", [-6.0, -2.0, 0.5, 3.0])
def test_deviation_is_as_rare_as_students(t, freedom):
    """Against SciPy's own quantile; Wallace states an error below two per cent."""
    exact = stats.norm.ppf(stats.t.cdf(t, freedom))
    assert as_normal(t, freedom) == pytest.approx(exact, rel=0.03)


def like_each_other(generator, size: tuple[int, int], resemblance: float) -> FloatArray:
    """Deviations of trips, each resembling the one before (weather): first-order chain."""
    shocks = generator.standard_normal(size)
    rows = np.empty(size)
    rows[:, 0] = shocks[:, 0]
    for trip in range(1, size[1]):
        rows[:, trip] = resemblance * rows[:, trip - 1]
        rows[:, trip] += np.sqrt(1 - resemblance**2) * shocks[:, trip]
    return rows


def alarms(spread: float, resemblance: float, lives: int) -> tuple[int, int]:
    """False alarms of F3D, and trips until then."""
    rows = like_each_other(np.random.default_rng(4), (lives, LIFE_TRIPS), resemblance)
    count = trips = 0
    for life in (20 * (1 + spread * rows)).tolist():
        sums = TripSums()
        for middle in life:
            sums.add(middle)
            trips += 1
            if sums.sums.down > LIMIT:
                count += 1
                break
    return count, trips


@pytest.mark.parametrize(
    ("spread", "resemblance"), [(0.03, 0.0), (0.03, 0.7), (0.05, 0.3), (0.08, 0.0)]
)
def test_drift_accuses_less_than_once_in_fifty_thousand_hours(spread, resemblance):
    """No alarm in 300,000 trips: at 95 %, less than one in 100,000 trips or 50,000 h."""
    count, trips = alarms(spread, resemblance, 1500)
    assert trips >= 299_000
    assert count == 0


def test_cars_of_unsteady_flow_are_hardly_ever_accused():
    """Trips that resemble each other more, or differ by a fifth: outside what was seen of any
    car. Poisson limit at 95 % of what is counted stays below one in 1,000 h."""
    for spread, resemblance in ((0.05, 0.5), (0.08, 0.3), (0.20, 0.0)):
        count, trips = alarms(spread, resemblance, 300)
        assert stats.chi2.ppf(0.95, 2 * (count + 1)) / 2 / (trips / 2) < 1 / 1000


def faded(spread: float, resemblance: float, lives: int, trips: int) -> tuple[int, int]:
    """False alarms of F3 over the first trips of many cars, three openings a trip."""
    generator = np.random.default_rng(6)
    count = looks = 0
    for life in 20 * (1 + spread * like_each_other(generator, (lives, trips), resemblance)):
        drift, number = Drift(), 0
        for trip, middle in enumerate(life.tolist()):
            for flow in middle * (1 + generator.normal(0, 0.07, 6)):
                number += 1
                shown = Opening(number, trip, 0, 0, 50.0, 50.0, flow, 0.1, 5.0, 10.0, 1.0,
                                None, None, None)  # fmt: skip
                part = Flow(flow / 2, 0.1, 5.0, 5.0, 1.0, 0.5)
                completed = drift.add_opening(Judged(shown, 30, 0, 0, True, part, None))
            if completed or trip < 5:
                continue
            looks += 1
            lost, chance = drift.fade()
            if chance < 0.05 and 100 * lost > FADED:
                count += 1
                break
    return count, looks


def test_fading_accuses_no_sound_car():
    """First fourteen trips of 500 cars, where a slope is least sure; later it only gets surer."""
    assert faded(0.05, 0.3, 500, 14)[0] == 0
