"""Events planted into a sound drive of an engine that is not ours: each is found by its rule,
and the rule is silent on the sound drive and where its least exposure is not met."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache

import numpy as np
import pytest

from plain_engine import Faults, as_series, batches, drive
from sootsayer.model import Batch, FloatArray, LinkState, Series, Verdict
from sootsayer.pipeline import Pipeline
from sootsayer.protocol.monitor_tests import kind_scaling
from sootsayer.vehicle import Vehicle

SMALL = Vehicle("small test engine", 0.95, 4, "petrol")
TRIPS, LAPS = 6, 4
TRIP_MS = 6 * 3_600_000
Change = Callable[[FloatArray, Mapping[str, FloatArray], FloatArray], FloatArray]


@lru_cache(maxsize=1)
def sound() -> tuple[FloatArray, dict[str, FloatArray]]:
    columns = drive(Faults(), trips=TRIPS, laps=LAPS)
    values = {name: value for name, _, value in columns}
    flat = np.zeros(len(columns[0][1]))
    values |= {"shrtft1": flat, "longft1": flat + 2.0, "vpwr": flat + 14.0, "fuelsys1": flat + 2}
    # Spark follows load and speed, as on any engine.
    values["sparkadv"] = 35 - 0.2 * values["map"] + values["rpm"] / 400
    return columns[0][1], values


def judged(changes: Mapping[str, Change], extra: tuple[Series, ...] = ()) -> Verdict:
    t_ms, values = sound()
    trip = (t_ms - t_ms[0]) // TRIP_MS
    series = [
        as_series(name, t_ms, changes[name](value, values, trip) if name in changes else value)
        for name, value in values.items()
    ]
    pipeline = Pipeline(SMALL)
    for batch in batches([*series, *extra], []):
        pipeline.feed(batch)
    return pipeline.verdict()


def open_rules(found: Verdict) -> set[str]:
    return {alert.rule for alert in found.alerts if alert.state == "open"}


@lru_cache(maxsize=1)
def sound_verdict() -> Verdict:
    return judged({})


def test_the_sound_drive_accuses_nothing():
    assert open_rules(sound_verdict()) == set()
    assert {link.state for link in sound_verdict().links} == {LinkState.HOLDING}


def idle(values: Mapping[str, FloatArray]) -> FloatArray:
    return (values["vss"] == 0).astype(float)


def cruise(values: Mapping[str, FloatArray]) -> FloatArray:
    return ((values["vss"] > 40) & (values["tp"] > 8)).astype(float)


PLANTED: dict[str, tuple[Mapping[str, Change], set[str]]] = {
    "coolant stays at 62 °C": (
        {"ect": lambda v, c, trip: np.minimum(v, 62.0)}, {"P3C"},
    ),
    "coolant sensor open circuit": (
        {"ect": lambda v, c, trip: np.full(len(v), -40.0)}, {"P3C", "P3S"},
    ),
    "intake sensor does not move": (
        {"iat": lambda v, c, trip: np.full(len(v), 31.0)}, {"P3S"},
    ),
    "throttle reads six points high from the third trip on": (
        {"tp": lambda v, c, trip: v + 6.0 * (trip >= 3)}, {"P3T"},
    ),
    "spark five degrees late from the third trip on": (
        {"sparkadv": lambda v, c, trip: v - 5.0 * (trip >= 3)}, {"E1"},
    ),
    "coolant at 115 °C when warm": (
        {"ect": lambda v, c, trip: np.where(v > 85, 115.0, v)}, {"E6"},
    ),
    "trims up at idle": ({"longft1": lambda v, c, trip: v + 14 * idle(c)}, {"N1"}),
    "trims up everywhere": ({"longft1": lambda v, c, trip: v + 16.0}, {"N2"}),
    "low voltage": ({"vpwr": lambda v, c, trip: v - 2.2}, {"R5"}),
    "command 25 points up from the third trip on": (
        {"egr_pct": lambda v, c, trip: np.where((trip >= 3) & (v > 1), v + 25, v),
         "egr_err": lambda v, c, trip: v}, {"A2"},
    ),
    "manifold pressure stands still while driving": (
        {"map": lambda v, c, trip: np.full(len(v), 47.0)}, {"R2"},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", PLANTED)
def test_what_was_planted_is_found(name):
    changes, rules = PLANTED[name]
    assert rules <= open_rules(judged(changes))


@pytest.mark.parametrize(
    ("name", "words", "cause"),
    [
        ("coolant stays at 62 °C", "thermostat", "thermostat"),
        ("coolant sensor open circuit", "temperature input", "coolant_input"),
        ("trims up at idle", "intake leak", "air_leak"),
        ("trims up everywhere", "air meter", "air_meter"),
        ("spark five degrees late from the third trip on", "knock sensor", "fuel_or_carbon"),
    ],
)
def test_what_is_not_recirculation_is_called_so_and_breaks_nothing(name, words, cause):
    found = judged(PLANTED[name][0])
    assert any(words in note for note in found.notes), found.notes
    assert found.causes[0].cause == cause
    assert LinkState.BROKEN not in {link.state for link in found.links}


def test_trims_by_pressure_alone_tell_of_gas():
    """Without an air meter, fuel taken away at idle is gas that leaks in."""
    t_ms, values = sound()
    trims = values["longft1"] - 14 * idle(values)
    series = [
        as_series(n, t_ms, trims if n == "longft1" else v) for n, v in values.items() if n != "maf"
    ]
    pipeline = Pipeline(SMALL)
    for batch in batches(series, []):
        pipeline.feed(batch)
    assert "E4" in open_rules(pipeline.verdict())
    assert "N1" not in open_rules(pipeline.verdict())


# ---------------------------------------------------------------- what is said seldom


def said_once_a_trip(channel: str, raws: list[int], scaling=None) -> Series:
    t_ms, _ = sound()
    at = t_ms[0] + np.arange(len(raws)) * TRIP_MS + 700_000.0
    plain = scaling or as_series(channel, at, np.zeros(len(raws))).scaling
    return Series(channel, plain, at.astype(np.int64), np.array(raws, dtype=np.int64))


def results(values: list[int], greatest: int) -> tuple[Series, ...]:
    kind = kind_scaling(0x2F)  # hundredths of a per cent (SAE J1979 appendix E)
    return (
        said_once_a_trip("mid31_tid80", values, kind),
        said_once_a_trip("mid31_tid80_min", [0] * len(values), kind),
        said_once_a_trip("mid31_tid80_max", [greatest] * len(values), kind),
    )


@pytest.mark.parametrize(
    ("values", "found"),
    [
        ([2000, 2100, 1900, 2000, 2050, 2000], False),  # half way
        ([2000, 2000, 2000, 2000, 2000, 4300], True),  # outside
        ([2600, 2800, 3000, 3200, 3400, 3600], True),  # ten per cent left and shrinking
        ([3500, 3500, 3500, 3500, 3500, 3500], False),  # near, but it always was
        ([3600, 3550, 3500, 3450, 3400, 3350], False),  # near and going away
    ],
)
def test_results_of_the_units_own_test(values, found):
    assert ("C2" in open_rules(judged({}, results(values, 4000)))) == found


SUPPORTED, INCOMPLETE = 0x8000, 0x80


@pytest.mark.parametrize(
    ("statuses", "found"),
    [
        ([SUPPORTED | INCOMPLETE] * 6, True),
        ([SUPPORTED | INCOMPLETE] * 3, False),  # too few trips so far: silent
        ([SUPPORTED | INCOMPLETE] * 5 + [SUPPORTED], False),
        ([INCOMPLETE] * 6, False),  # the car has no such monitor
    ],
)
def test_readiness(statuses, found):
    easier = {"C3": {"trips_least": 5, "running_least_s": 600}}
    t_ms, values = sound()
    series = [as_series(n, t_ms, v) for n, v in values.items()]
    at = t_ms[0] + np.arange(len(statuses)) * TRIP_MS + 1_100_000.0
    scaling = as_series("monitor_status", at, np.zeros(len(at))).scaling
    series.append(
        Series("monitor_status", scaling, at.astype(np.int64), np.array(statuses, dtype=np.int64))
    )
    pipeline = Pipeline(Vehicle("test", 0.95, 4, "petrol", rules=easier))
    for batch in batches(series, []):
        pipeline.feed(batch)
    assert ("C3" in open_rules(pipeline.verdict())) == found


@pytest.mark.parametrize(
    ("warm_ups", "found"), [([5, 6, 7, 8, 9, 10], False), ([5, 6, 7, 0, 1, 2], True)]
)
def test_a_clearing_is_seen_and_makes_codes_doubtful(warm_ups, found):
    verdict = judged({}, (said_once_a_trip("warm_ups", warm_ups),))
    assert ("C4" in open_rules(verdict)) == found
    assert verdict.causes == ()  # it accuses nothing


def test_before_the_start_manifold_and_barometer_agree():
    """Ten seconds of key-on before each start, with the manifold sensor seven kilopascal low."""
    t_ms, values = sound()
    starts = [t_ms[0] + n * TRIP_MS for n in range(TRIPS)]
    early = np.concatenate([start - 15_000 + np.arange(0, 14_000, 200.0) for start in starts])
    for off, found in ((0.0, False), (-7.0, True)):
        before = {"rpm": 0.0, "map": 100.0 + off, "baro": 100.0, "vss": 0.0}
        series = [as_series(n, t_ms, v) for n, v in values.items() if n not in before]
        for name, value in before.items():
            at = np.concatenate([early, t_ms])
            both = np.concatenate([np.full(len(early), value), values[name]])
            order = np.argsort(at, kind="stable")
            series.append(as_series(name, at[order], both[order]))
        pipeline = Pipeline(SMALL)
        for batch in batches(series, []):
            pipeline.feed(batch)
        assert ("P3P" in open_rules(pipeline.verdict())) == found


def test_nothing_is_said_before_the_least_exposure():
    """One trip of a cold-running engine: one chance, no alert."""
    t_ms, values = sound()
    first = t_ms < t_ms[0] + TRIP_MS
    series = [
        as_series(n, t_ms[first], (np.minimum(v, 62.0) if n == "ect" else v)[first])
        for n, v in values.items()
    ]
    pipeline = Pipeline(SMALL)
    for batch in batches(series, []):
        pipeline.feed(batch)
    assert pipeline.rules.watches["P3C"].failed == 1
    assert open_rules(pipeline.verdict()) == set()


def test_any_cutting_tells_seldom_sayings_the_same():
    extra = results([2600, 2800, 3000, 3200, 3400, 3600], 4000)
    whole = [a.first_ms for a in judged({}, extra).alerts]
    t_ms, values = sound()
    series = [as_series(n, t_ms, v) for n, v in values.items()]
    cuts = list(range(int(t_ms[0]), int(t_ms[-1]), 1_777_000))
    pipeline: Pipeline | None = Pipeline(SMALL)
    for number, batch in enumerate(batches([*series, *extra], cuts)):
        assert pipeline is not None
        pipeline.feed(batch)
        if number % 7 == 0:
            done_ms = pipeline.done_ms or 0
            pipeline = Pipeline.restore(SMALL, pipeline.state())
            assert pipeline is not None
            rest = [
                Series(s.channel, s.scaling, s.t_ms[s.t_ms > done_ms], s.raw[s.t_ms > done_ms])
                for s in batch.series
            ]
            pipeline.feed(Batch(batch.upto_ms, tuple(s for s in rest if len(s.t_ms))))
    assert pipeline is not None
    assert [a.first_ms for a in pipeline.verdict().alerts] == whole
