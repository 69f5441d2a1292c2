"""How many digits our running sums keep: NIST's sets, exact arithmetic, sums over thirty days.

NumAcc1 to NumAcc4 are made by their formulas; certified mean, standard deviation and lag-1
autocorrelation: NIST Statistical Reference Datasets, univariate summary statistics
(https://www.itl.nist.gov/div898/strd/univ/numacc1.html … numacc4.html). Longley and its certified
coefficients: the same collection, linear regression, as carried by statsmodels.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from fractions import Fraction

import numpy as np
import pytest
import statsmodels.api as statsmodels
from statsmodels.regression.tests.results.results_regression import Longley

from sootsayer.derive import air_meter, commanding
from sootsayer.derive.air_meter import AirMeter
from sootsayer.derive.balance import TRIP_MEMORY, FlowBalance
from sootsayer.derive.frames import BLOCK_FRAMES, BLOCK_MS, Framer
from sootsayer.derive.gains import SMOOTHING, smoothed
from sootsayer.derive.spark import Spark
from sootsayer.derive.trips import Trips
from sootsayer.model import Batch, Scaling, Series
from sootsayer.rules.book import load_rules
from sootsayer.rules.watches import TimeWatch

# In tenths, as a control unit would send them; then mean, sd and lag-1 autocorrelation.
NUMACC = {
    "NumAcc1": ([100_000_010, 100_000_030, 100_000_020], 10_000_002.0, 1.0, -0.5),
    "NumAcc2": ([12, *[11, 13] * 500], 1.2, 0.1, -0.999),
    "NumAcc3": ([10_000_002, *[10_000_001, 10_000_003] * 500], 1_000_000.2, 0.1, -0.999),
    "NumAcc4": ([100_000_002, *[100_000_001, 100_000_003] * 500], 10_000_000.2, 0.1, -0.999),
}
# Digits to be had of a spread: what the mean takes of the fifteen to sixteen of a double.
SPREAD_DIGITS = {"NumAcc1": 14.0, "NumAcc2": 12.5, "NumAcc3": 8.5, "NumAcc4": 7.5}
TENTHS = Scaling("tenths", 0.1, 0.0, "")


def digits(found: float, certified: float) -> float:
    """NIST's measure: how many leading digits agree (log relative error), at most 15."""
    off = abs(found - certified) / abs(certified)
    return 15.0 if off == 0 else min(15.0, -math.log10(off))


def numbers(name: str) -> list[float]:
    return [raw / 10 for raw in NUMACC[name][0]]


# ---------------------------------------------------------------- running means and spreads


def cell_of(values: Sequence[float], taught: Callable[..., list[float]]) -> list[float]:
    """What a cell knows after all ``values``, count and mean first."""
    cell = None
    for value in values:
        cell = taught(cell, value, 1)
    assert cell is not None
    return cell


def of_command_cells(values: Sequence[float]) -> float:
    return cell_of(values, commanding.taught)[1]


def of_air_meter_cells(values: Sequence[float]) -> float:
    return cell_of(values, air_meter._taught)[1]


def of_spark_cells(values: Sequence[float]) -> float:
    spark = Spark()
    for value in values:
        spark._learn({"cell": [1.0, value]})
    return spark.cells["cell"][1]


@pytest.mark.parametrize("mean", [of_command_cells, of_air_meter_cells, of_spark_cells])
@pytest.mark.parametrize("name", NUMACC)
def test_running_means_have_all_certified_digits(name, mean: Callable[[Sequence[float]], float]):
    assert digits(mean(numbers(name)), NUMACC[name][1]) >= 14.5


@pytest.mark.parametrize("name", NUMACC)
def test_the_mean_of_a_frame_has_fourteen_certified_digits(name):
    """A plain sum: a thousand readings, twice as many as a frame has stamps, may cost a digit."""
    raw, certified, *_ = NUMACC[name]
    t_ms = np.linspace(1, 500, len(raw)).astype(np.int64)
    series = Series("map", TENTHS, t_ms, np.array(raw, dtype=np.int64))
    block = next(Framer().feed(Batch(BLOCK_MS, (series,))))
    assert digits(float(block.column("map")[0]), certified) >= 14


@pytest.mark.parametrize("name", NUMACC)
def test_the_running_spread_has_the_digits_that_the_mean_leaves(name):
    cell = cell_of(numbers(name), commanding.taught)
    sd = math.sqrt(cell[2] / (cell[0] - 1))
    assert digits(sd, NUMACC[name][2]) >= SPREAD_DIGITS[name]


def test_a_sum_of_squares_would_not_do():
    """The measure above can fail: without running means NumAcc4 has no digit left."""
    values = np.array(numbers("NumAcc4"))
    naive = (np.sum(values**2) - np.sum(values) ** 2 / len(values)) / (len(values) - 1)
    assert naive <= 0 or digits(math.sqrt(naive), 0.1) < 2


@pytest.mark.parametrize("name", NUMACC)
def test_likeness_of_neighbours_is_that_certified(name):
    """The balance widens its error by the lag-1 autocorrelation of its residuals."""
    balance = FlowBalance(2.4)
    residuals = np.array(numbers(name)) - NUMACC[name][1]
    for block in np.array_split(residuals, 200):
        if len(block):
            balance._learn_scatter(block, np.ones(len(block)), 0)
    found = balance.product / balance.square
    assert digits(found, NUMACC[name][3]) >= SPREAD_DIGITS[name]


# ---------------------------------------------------------------- flow regression


class Regression(FlowBalance):
    """The balance's own accumulation over features of anybody's."""

    def __init__(self, features: int, prior_sd: float) -> None:
        super().__init__(2.4)
        self._prior_mean, self._prior_sd = np.zeros(features), np.full(features, prior_sd)
        self._reset(features)

    def learn(self, features: np.ndarray, target: np.ndarray) -> None:
        for at in range(0, len(target), 5):  # five rows a block
            self._learn(features[at : at + 5], target[at : at + 5], 0)


def test_longley_by_our_normal_equations():
    """Condition 5·10⁹, which normal equations square: no sensor's features come near it, and
    still six digits are right."""
    given = statsmodels.datasets.longley.load()
    features = np.column_stack([given.exog.to_numpy(dtype=float), np.ones(len(given.endog))])
    ours = Regression(features.shape[1], prior_sd=1e12)
    ours.learn(features, given.endog.to_numpy(dtype=float))
    certified = Longley().params
    found = [digits(a, b) for a, b in zip(ours.coefficients.tolist(), certified, strict=True)]
    assert min(found) >= 5.5


def flow_features(rows: int) -> tuple[np.ndarray, np.ndarray]:
    """Rows as a drive gives them to the balance of air mass, idle to full load, and their air."""
    draw = np.random.default_rng(7)
    rpm, map_kpa = draw.uniform(650, 4500, rows), draw.uniform(28, 98, rows)
    charge_k, heat = draw.uniform(285, 320, rows), draw.uniform(-0.1, 0.9, rows)
    per_kpa = 2.4 * rpm / (120 * 0.287 * charge_k)
    density = per_kpa * map_kpa
    features = np.column_stack([
        density, density * rpm / 1000, density * map_kpa / 100, -density * heat, -per_kpa,
        -np.ones(rows),
    ])  # fmt: skip
    air = features @ np.array([0.95, 0.01, -0.02, 0.05, 6.0, 0.2]) + draw.normal(0, 0.3, rows)
    return features, air


def exact(features: np.ndarray, target: np.ndarray, prior_sd: float) -> list[Fraction]:
    """The same least squares by rational arithmetic, without any rounding."""
    size = features.shape[1]
    variance, precision = Fraction(0.45**2), 1 / Fraction(prior_sd) ** 2
    rows = [[Fraction(x) for x in row] for row in features.tolist()]
    y = [Fraction(x) for x in target.tolist()]
    system = [
        [sum(row[i] * row[j] for row in rows) / variance + (precision if i == j else 0)
         for j in range(size)]
        + [sum(row[i] * t for row, t in zip(rows, y, strict=True)) / variance]
        for i in range(size)
    ]  # fmt: skip
    for i in range(size):
        system[i] = [x / system[i][i] for x in system[i]]
        for j in range(size):
            if j != i:
                factor = system[j][i]
                system[j] = [a - factor * b for a, b in zip(system[j], system[i], strict=True)]
    return [row[-1] for row in system]


def test_flow_regression_is_exact_to_ten_digits():
    """Fewer rows than make it ready, so that no row is bounded and the scatter stands."""
    features, air = flow_features(40)
    ours = Regression(features.shape[1], prior_sd=4.0)
    ours.learn(features, air)
    expected = exact(features, air, 4.0)
    found = [digits(a, float(b)) for a, b in zip(ours.coefficients, expected, strict=True)]
    assert min(found) >= 10


def test_flow_regression_is_that_of_statsmodels():
    """Prior knowledge is rows of its own: one for each coefficient, divided by its error."""
    features, air = flow_features(40)
    ours = Regression(features.shape[1], prior_sd=4.0)
    ours.learn(features, air)
    rows = np.vstack([features / 0.45, np.eye(features.shape[1]) / 4.0])
    theirs = statsmodels.OLS(np.concatenate([air / 0.45, np.zeros(features.shape[1])]), rows).fit()
    np.testing.assert_allclose(ours.coefficients, theirs.params, rtol=1e-9)
    np.testing.assert_allclose(ours.covariance, theirs.normalized_cov_params, rtol=1e-8)


def test_fading_sums_are_the_weighted_sums():
    """Sixty trips, each counting ``TRIP_MEMORY`` of itself in the next, against fsum."""
    features, air = flow_features(40 * 60)
    ours = Regression(features.shape[1], prior_sd=4.0)
    ours.ready = lambda: False  # type: ignore[method-assign]  # plain sums, no row bounded
    weights = []
    for trip in range(60):
        ours.new_trip()
        part = slice(40 * trip, 40 * (trip + 1))
        ours.learn(features[part], air[part])
        weights += [TRIP_MEMORY ** (59 - trip)] * 40
    for i in range(features.shape[1]):
        terms = [w * f * a for w, f, a in zip(weights, features[:, i], air, strict=True)]
        assert digits(float(ours.moment[i]), math.fsum(terms)) >= 13


def test_smoothing_is_the_exponential_window():
    draw = np.random.default_rng(2)
    values = draw.uniform(2, 6, 100_000).tolist()
    known = float("nan")
    for value in values:
        known = smoothed(known, value)
    keep = 1 - 1 / SMOOTHING
    recent = [value * keep**age / SMOOTHING for age, value in enumerate(reversed(values[1:]))]
    assert digits(known, math.fsum([*recent, values[0] * keep ** (len(values) - 1)])) >= 14


# ---------------------------------------------------------------- thirty days

DAYS_30_S = 30 * 86_400
STRETCH_S = 600
SPEED = Scaling("km/h in 256ths", 1 / 256, 0.0, "km/h")


def test_thirty_days_at_ten_hertz_against_exact_sums():
    """25.9 million readings of speed through frames into one trip: the engine's seconds exactly,
    its kilometres to twelve digits of fsum."""
    framer, trips, draw = Framer(), Trips(), np.random.default_rng(5)
    running = np.ones(BLOCK_FRAMES, dtype=bool)
    raw_sums = []
    for start_s in range(0, DAYS_30_S, STRETCH_S):
        t_ms = start_s * 1000 + np.arange(1, 10 * STRETCH_S + 1, dtype=np.int64) * 100
        raw = draw.integers(0, 130 * 256, len(t_ms))
        raw_sums.append(math.fsum((raw * SPEED.scale).tolist()))
        series = Series("vss", SPEED, t_ms, raw)
        for block in framer.feed(Batch((start_s + STRETCH_S) * 1000, (series,))):
            trips.step(block, running, block.column("vss"))
    assert trips.engine_s == DAYS_30_S
    assert digits(trips.distance_km, math.fsum(raw_sums) / 10 / 3600) >= 12


def test_sliding_sums_keep_their_digits_for_thirty_days():
    """What enters a window leaves it again, 259,200 blocks long."""
    blocks, draw = DAYS_30_S // 10, np.random.default_rng(6)
    watch, meter = TimeWatch(load_rules()["R1"]), AirMeter()
    gaps_s = (draw.integers(0, 4000, blocks) * (np.arange(blocks) % 3 == 0) / 1000).tolist()
    due, missing = draw.uniform(20, 300, blocks).tolist(), draw.normal(0, 5, blocks).tolist()
    for number, gap_s in enumerate(gaps_s):
        start_ms = number * BLOCK_MS
        watch.add(start_ms, start_ms + BLOCK_MS, 10.0 + gap_s, gap_s, number // 180)
        meter._add([5.0, due[number], missing[number]])
    held = [(part[2], part[3]) for part in watch.parts]
    assert digits(watch.eligible_s, math.fsum(e for e, _ in held)) >= 12
    assert digits(watch.failing_s, math.fsum(f for _, f in held)) >= 12
    assert meter.rows == sum(part[0] for part in meter.parts)
    assert digits(meter.due, math.fsum(part[1] for part in meter.parts)) >= 12
    still_missing = math.fsum(part[2] for part in meter.parts)
    assert meter.missing == pytest.approx(still_missing, abs=1e-12 * meter.due)
