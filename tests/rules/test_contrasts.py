"""Contrasts: shut on both sides of an opening, spark with and without gas, dips, pressure feedback,
areas held against what is stated or usual, and the recorder's own word. Each planted, each silent
where nothing is wrong."""

from __future__ import annotations

from collections import deque

import numpy as np
import pytest
import scipy.stats

from plain_engine import Faults, as_series, batches, recording
from sootsayer.derive.balance import FlowBalance
from sootsayer.derive.edges import TRACE_FRAMES, against_both, at_brief_closing, surge_pct
from sootsayer.derive.knock import KnockContrast
from sootsayer.derive.opened import Flow, Judged
from sootsayer.derive.orifice import area_mm2, orifice_part
from sootsayer.derive.spark import SparkOpening
from sootsayer.model import Batch, Identity, Opening, Series
from sootsayer.pipeline import Pipeline
from sootsayer.rules.book import load_rules
from sootsayer.rules.watches import LevelWatch
from sootsayer.vehicle import Vehicle

SMALL = Vehicle("small test engine", 0.95, 4, "petrol")


# ---------------------------------------------------------------- shut, open, shut


def edges(before: float, opened: float, after: float) -> tuple[list[float], list[float]]:
    rise = [opened - before, 0.3, opened, 2000.0, 20.0]
    fall = [opened - after, 0.4, opened, after, 2000.0, 20.0]
    return rise, fall


def test_shut_on_both_sides():
    """Published example of a service instruction: 28.1, 33.0, 28.5 kPa are 4.70 kPa."""
    rise, fall = edges(28.1, 33.0, 28.5)
    assert against_both(rise, fall) == [pytest.approx(4.70), pytest.approx(0.25), 33.0]


def test_contrast_wants_the_same_place():
    rise, fall = edges(28.1, 33.0, 28.5)
    assert against_both(rise, [*fall[:4], 2300.0, 20.0]) is None
    assert against_both(rise, None) is None


def with_brief_closings() -> list[Series]:
    """A long steady cruise at constant throttle in which the valve is shut for eight seconds each
    minute, with pressure drifting down a hill all the while."""
    t_s = np.arange(0, 900, 0.2)
    asked = np.where((t_s > 60) & (t_s % 60 > 8), 30.0, 0.0)
    lagged = np.convolve(asked, np.ones(4) / 4)[: len(asked)]
    kpa = 40 + 5 * lagged / 30 + 6 * t_s / 900
    values = {
        "rpm": 2000 + 0 * t_s, "vss": 70 + 0 * t_s, "map": kpa, "tp": 20 + 0 * t_s,
        "egr_pct": asked, "ect": 90 + 0 * t_s, "iat": 25 + 0 * t_s, "baro": 100 + 0 * t_s,
    }  # fmt: skip
    t_ms = 1_760_000_000_000 + 1000 * t_s
    return [as_series(name, t_ms, column) for name, column in values.items()]


def test_a_brief_closing_is_a_contrast_for_the_opening_after_it():
    pipeline, openings = Pipeline(SMALL), []
    for batch in batches(with_brief_closings(), []):
        openings += pipeline.feed(batch).openings
    found = [o.context["map_aba_kpa"] for o in openings if "map_aba_kpa" in o.context]
    assert len(found) >= 10
    assert np.median(found) == pytest.approx(5.0, abs=0.35)  # readings come in whole kPa


def brief(shut_frames: int, position: bool = True, drop: float = 5.0) -> list[list[float]]:
    """Five open frames at least, some shut, nine open again; the position lags by one frame."""
    asked = np.array([30.0] * (TRACE_FRAMES - 9 - shut_frames) + [0.0] * shut_frames + [30.0] * 9)
    moved = np.concatenate([asked[:1], asked[:-1]])
    frames = np.zeros((TRACE_FRAMES, 6))
    frames[:, 0] = 40 + drop * moved / 30
    frames[:, 1], frames[:, 2], frames[:, 5] = 2000, 20, 70
    frames[:, 3], frames[:, 4] = asked, moved if position else np.nan
    return frames.tolist()


@pytest.mark.parametrize("shut_frames", [3, 4, 7])
def test_a_control_units_own_test_is_a_contrast(shut_frames):
    assert at_brief_closing(brief(shut_frames)) == [
        pytest.approx(5.0), pytest.approx(0.3), pytest.approx(45.0)
    ]  # fmt: skip


def test_so_short_a_closing_says_nothing_without_a_position():
    assert at_brief_closing(brief(4, position=False)) is None
    assert at_brief_closing(brief(1)) is None  # the valve has not come home


# ---------------------------------------------------------------- spark


def opening(number: int, share: float) -> Judged:
    start_ms = number * 60_000
    shown = Opening(number, 1, start_ms, start_ms + 30_000, 30.0, 30.0, 5 * share, 0.2, 5.0, 10.0,
                    1.0, None, None, None)  # fmt: skip
    return Judged(shown, 30, 0, 0, True, Flow(5 * share, 0.2, 5.0, 5.0, 1.0, 0.3), None)


def contrast(late_without: float, late_with: float, seed: int = 1) -> bool:
    generator = np.random.default_rng(seed)
    part, watch = KnockContrast(), LevelWatch(load_rules()["E1C"])
    for number in range(40):
        share = 0.0 if number % 3 == 0 else 1.0
        late = (late_with if share else late_without) + float(generator.normal(0, 1))
        start_ms = number * 60_000
        sparks = [SparkOpening(start_ms + 2_000, start_ms + 29_000, late)]
        # The spark's stretch ends with the opening, its flow is known two blocks later.
        level = part.step(sparks, [])
        level = part.step([], [opening(number, share)]) or level
        if level is not None:
            watch.settle(watch.add(start_ms, start_ms + 10_000, *level), start_ms)
    return watch.open


def test_spark_that_is_late_only_without_gas_names_the_gas():
    assert contrast(5.0, 0.0)


@pytest.mark.parametrize("seed", range(10))
def test_spark_that_is_late_everywhere_does_not(seed):
    assert not contrast(5.0, 5.0, seed)
    assert not contrast(0.0, 0.0, seed)


# ---------------------------------------------------------------- dips


def trace(dip_pct: float, throttle_moves: float = 0.0, speeds_up: float = 0.0) -> list[list[float]]:
    frames = np.zeros((TRACE_FRAMES, 6))
    frames[:, 1] = 2000 + speeds_up * np.arange(TRACE_FRAMES)
    frames[10:14, 1] *= 1 - dip_pct / 100
    frames[:, 2] = 20 + throttle_moves * (np.arange(TRACE_FRAMES) > 8)
    frames[:, 5] = 70
    return frames.tolist()


def test_a_dip_is_measured_against_the_line():
    assert surge_pct(trace(6.0)) == pytest.approx(6.0, abs=0.1)
    assert surge_pct(trace(6.0, speeds_up=2.0)) == pytest.approx(6.0, abs=0.2)
    assert surge_pct(trace(0.0, speeds_up=-2.0)) == pytest.approx(0.0, abs=0.05)


def test_a_foot_that_moves_is_no_dip():
    assert surge_pct(trace(6.0, throttle_moves=3.0)) is None
    assert surge_pct(trace(6.0, speeds_up=9.0)) is None  # a change of gear


# ---------------------------------------------------------------- pressure feedback


@pytest.mark.parametrize(("difference", "part"), [(4.0, 2.0), (1.0, 1.0), (0.25, 0.5)])
def test_four_times_the_pressure_is_twice_the_flow(difference, part):
    assert orifice_part(difference, 1.0) == pytest.approx(part)


# ---------------------------------------------------------------- areas


def wanting(gain_g_s: float, stated_mm2: float | None) -> tuple[float | None, float | None]:
    balance = FlowBalance(2.4, stated_area_mm2=stated_mm2)
    balance.gains = deque([gain_g_s] * 30, maxlen=60)
    balance.common = deque([0.1] * 30, maxlen=60)
    balance.widths = deque([0.3] * 25 + [0.5] * 5, maxlen=60)  # nine in ten are below 0.5
    found = balance.wanting_of_stated(), balance.wanting_of_size()
    return found[0] and 100 * found[0][0], found[1] and 100 * found[1][0]


def test_area_is_held_against_what_is_stated_and_what_is_usual():
    """60 mm² stated; least usual at 2.4 L 10.3 mm² (15 mm² at 3.5 L)."""
    per_mm2 = 10.0 / area_mm2(10.0, 300.0)
    assert wanting(60 * per_mm2, 60.0)[0] == pytest.approx(0.0, abs=1e-6)
    assert wanting(24 * per_mm2, 60.0)[0] == pytest.approx(60.0)
    of_widest = pytest.approx(100 * (1 - 0.5 * 5 / (2.4 * 15 / 3.5)))
    assert wanting(5 * per_mm2, None) == (None, of_widest)


@pytest.mark.parametrize(("narrow_mm2", "least", "most"), [
    (1e6, 0.999, 1.001), (60.0, 0.8, 0.97), (9.0, 0.2, 0.4), (2.0, 0.0, 0.05),
])  # fmt: skip
def test_flow_grows_with_the_opening_unless_another_place_is_narrower(narrow_mm2, least, most):
    """Two orifices in series, 1/A² = 1/A₁² + 1/A₂² (any textbook on hydraulics), and the slope
    that SciPy finds over logarithms."""
    widths = np.linspace(0.2, 0.4, 30)
    area = (1 / (60.0 * widths) ** 2 + 1 / narrow_mm2**2) ** -0.5
    balance = FlowBalance(2.4)
    balance.widths.extend(widths.tolist())
    balance.gains.extend((area / widths).tolist())
    slope, sd = balance.growth()
    assert least < slope < most
    by_scipy = scipy.stats.linregress(np.log(widths), np.log(area))
    assert slope == pytest.approx(by_scipy.slope, abs=1e-9)
    assert sd == pytest.approx(by_scipy.stderr * np.sqrt(28 / 30), abs=1e-6)


def test_growth_needs_openings_of_different_width_and_overlooks_single_odd_ones():
    balance = FlowBalance(2.4)
    balance.widths.extend([0.3] * 30)
    balance.gains.extend([5.0] * 30)
    assert balance.growth() is None
    balance.widths.extend(np.linspace(0.2, 0.4, 30).tolist())
    balance.gains.extend([5.0] * 29 + [0.5])
    assert balance.growth()[0] == pytest.approx(1.0)


@pytest.mark.parametrize(("stated", "passage", "found"), [
    (30.0, 1.0, False), (30.0, 0.3, True), (None, 0.3, False),
])  # fmt: skip
def test_a_passage_choked_since_the_first_day(stated, passage, found):
    """The engine's 5 g/s of displaced air are 20 mm² by our conversion."""
    car = Vehicle("small test engine", 0.95, 4, "petrol", valve_area_mm2=stated)
    pipeline = Pipeline(car)
    for batch in batches(recording(Faults(passage=passage), trips=3, laps=4), []):
        pipeline.feed(batch)
    assert (pipeline.rules.watches["F8"].open) == found


# ---------------------------------------------------------------- the recorder's own word


@pytest.mark.parametrize(
    ("key", "bad", "good", "rule"),
    [("clock", "not set", "set", "R3"), ("room", "short", "wide", "R4")],
)
def test_the_recorders_own_doubts_qualify(key, bad, good, rule):
    series = recording(Faults(), trips=1, laps=6)
    start_ms, end_ms = int(series[0].t_ms[0]), int(series[0].t_ms[-1])
    words = [(start_ms - 5_000, bad), ((start_ms + end_ms) // 2, good)]
    events = tuple(Identity(t_ms, "recorder", key, word) for t_ms, word in words)
    open_at, cleared = [], False
    for told in (events[:1], events):
        pipeline = Pipeline(SMALL)
        for batch in batches(series, []):
            changes = pipeline.feed(Batch(batch.upto_ms, batch.series, told))
            cleared = any(a.rule == rule and a.state == "cleared" for a in changes.alerts)
        open_at.append(pipeline.rules.watches[rule].open)
        assert pipeline.verdict().causes == ()  # it accuses nothing
    assert open_at == [True, False]
    assert cleared
