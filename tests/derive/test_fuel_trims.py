"""What fuel trims say of the air meter: alone, and on drives whose meter reads wrong at times."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import lsq_linear

from plain_engine import Faults, as_series, batches, drive
from sootsayer.derive.balance import LEAK, FlowBalance
from sootsayer.derive.cylinder import ROW_FRAMES, ROWS
from sootsayer.derive.fuel_trims import MOVED_PCT, REACH_PCT, FuelTrims
from sootsayer.model import FloatArray, LinkState
from sootsayer.pipeline import Pipeline
from sootsayer.vehicle import Vehicle

SMALL = Vehicle("small test engine", 0.95, 4, "petrol")
SHUT = np.ones(ROWS, dtype=bool)


def shown(trims: FuelTrims, trim_pct: float, idle: bool = False, rows: int = ROWS) -> list[bool]:
    """Rows at this trim, valve shut: which are believed."""
    q = SimpleNamespace(states={"idle": np.full(ROWS * ROW_FRAMES, float(idle))})
    return [
        bool(trims.believed(q, SimpleNamespace(trim_pct=np.full(ROWS, trim_pct)), SHUT)[0])  # type: ignore[arg-type]
        for _ in range(0, rows, ROWS)
    ]


def test_the_usual_place_is_a_middle_that_bursts_hardly_move():
    """A third of the time 25 points up, as with a meter that reads a fifth low in bursts."""
    trims = FuelTrims()
    for _ in range(20):
        shown(trims, 2.0, rows=150)
        shown(trims, 27.0, rows=75)
    assert trims.usual_pct == pytest.approx(2.0, abs=75 * REACH_PCT)
    assert abs(trims.moved_pct()) < MOVED_PCT


def test_what_trims_contradict_teaches_nothing():
    trims = FuelTrims()
    shown(trims, 2.0, rows=150)
    assert all(shown(trims, 5.0))
    assert not any(shown(trims, 12.0))
    assert not any(shown(trims, -8.0))
    assert not any(shown(trims, 12.0, idle=True))
    assert all(shown(trims, 5.0, idle=True))
    assert trims.taken_away(-5.0)
    assert not trims.taken_away(20.0)
    assert all(shown(trims, np.nan))  # not told


def test_the_doubt_about_an_opening_is_what_trims_leave_beyond_their_ripple():
    trims = FuelTrims()
    assert trims.doubt(20.0) == 0.0  # nothing was learned yet
    shown(trims, 2.0, rows=500)
    assert trims.doubt(4.0) == 0.0
    assert trims.doubt(22.0) == pytest.approx(0.175, abs=0.005)
    assert trims.doubt(-18.0) == pytest.approx(0.175, abs=0.005)
    assert trims.doubt(float("nan")) == 0.0


@pytest.mark.parametrize(
    ("good", "bad", "unsteady"), [(10, 5, True), (10, 4, False), (12, 5, False), (0, 5, True)]
)
def test_a_meter_that_many_openings_contradict_is_not_believed(good, bad, unsteady):
    trims = FuelTrims()
    trims.note_opening(25.0)  # nothing was learned yet to hold it against
    shown(trims, 2.0, rows=200)
    for trim_pct in [4.0] * good + [14.0] * bad + [float("nan")] * 50:
        trims.note_opening(trim_pct)
    assert trims.unsteady() == unsteady


def test_a_meter_that_grows_tired_moves_the_usual_place():
    """Half of what was learned is forgotten in some twenty trips; trims go up a point a trip."""
    trims = FuelTrims()
    moved = []
    for trip in range(14):
        shown(trims, float(trip), rows=200)
        moved.append(trims.moved())
        trims.fade(0.97)
    assert not any(moved[:5])
    assert all(moved[9:])
    trims.fade(0.0)
    assert not trims.moved()  # nothing to hold it against


def with_a_meter_that_errs(by: float, trims_told: bool) -> Pipeline:
    """Three drives; in a third of every five minutes the meter reads so much too low, and fuel
    control adds what is missing."""
    columns = {name: (t_ms, values) for name, t_ms, values in drive(Faults(), trips=3)}
    t_ms, maf = columns["maf"]
    errs = (t_ms / 1000) % 300 < 100
    columns["maf"] = (t_ms, maf * np.where(errs, 1 - by, 1.0))
    if trims_told:
        # A second or two until the oxygen sensor's loop has found it.
        late: FloatArray = np.roll(errs, 10)
        columns["shrtft1"] = (t_ms, np.where(late, 100 * (1 / (1 - by) - 1), 0.0))
        columns["longft1"] = (t_ms, np.full(len(t_ms), 1.6))
    pipeline = Pipeline(SMALL)
    series = [as_series(name, t, values) for name, (t, values) in columns.items()]
    for batch in batches(series, []):
        pipeline.feed(batch)
    return pipeline


def test_a_meter_that_errs_at_times_is_not_taken_for_the_valve():
    """True value of the engine: 5.0 g/s fully open. Where no trims tell, it is taken for it."""
    told = with_a_meter_that_errs(0.2, trims_told=True)
    assert told.balance.gain_g_s() == pytest.approx(5.0, rel=0.1)
    assert all(f.state is not LinkState.DOUBTFUL for f in told.verdict().links)
    blind = with_a_meter_that_errs(0.2, trims_told=False)
    assert blind.balance.gain_g_s() != pytest.approx(5.0, rel=0.1)


@pytest.mark.parametrize("offset_g_s", [0.4, -0.4])
def test_a_leak_is_bounded_as_least_squares_within_bounds(offset_g_s):
    """Against SciPy's lsq_linear: a meter that reads more at idle than breathing explains would
    be a leak below nothing, and the others must be fitted without it."""
    draw = np.random.default_rng(5)
    balance = FlowBalance(2.0)
    balance._start_mode("maf")
    size = len(balance.coefficients)
    features = np.abs(draw.normal(1.0, 0.4, (300, size))) * [10, 15, 8, 4, 1, 0]
    features[:, 3:] *= -1
    features[:, LEAK] = -1.0
    target = features @ [0.9, 0.02, 0.05, 0.03, 5.0, 0.0] + offset_g_s + draw.normal(0, 0.05, 300)
    balance.gram, balance.moment, balance.rows = features.T @ features, features.T @ target, 300.0
    balance._solve()
    root = np.diag(balance.sigma() / balance._prior_sd)
    within = lsq_linear(
        np.vstack([features, root]),
        np.concatenate([target, root @ balance._prior_mean]),
        bounds=([-np.inf] * LEAK + [0.0], np.inf),
        tol=1e-12,
    )
    assert balance.coefficients == pytest.approx(within.x, abs=2e-4)
    assert (balance.coefficients[LEAK] > 0.1) == (offset_g_s < 0)
