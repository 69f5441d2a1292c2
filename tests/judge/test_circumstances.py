"""What failed chances have in common, against SciPy's rank test and by planted splits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import mannwhitneyu

from plain_engine import Faults, as_series, batches, drive
from sootsayer.judge.circumstances import WORDS, cliffs_delta, describe
from sootsayer.pipeline import Pipeline
from sootsayer.vehicle import Vehicle


def chances(rows: list[tuple[bool, dict[str, float]]]) -> list[list[object]]:
    """Each in a trip of its own."""
    return [[0, 0, failed, 0.0, trip, of] for trip, (failed, of) in enumerate(rows)]


def test_delta_equals_the_rank_statistic():
    """Cliff's delta is 2U/(mn) − 1 of the Mann–Whitney statistic."""
    generator = np.random.default_rng(4)
    bad, fine = generator.normal(1, 1, 23), generator.normal(0, 1, 31)
    u = mannwhitneyu(bad, fine).statistic
    assert cliffs_delta(bad, fine) == pytest.approx(2 * u / (23 * 31) - 1)


def test_a_planted_split_is_told_with_its_counts():
    generator = np.random.default_rng(2)
    rows = []
    for _ in range(40):
        ect = float(generator.uniform(60, 100))
        rows.append((ect > 92, {"ect_c": ect, "speed_kmh": float(generator.uniform(40, 100))}))
    said = describe(chances(rows), "openings")[0]
    assert "coolant above 9" in said
    hot = sum(failed for failed, _ in rows)
    assert f"{hot} of {hot} openings" in said


@pytest.mark.parametrize("name", ["hour", "fuel_pct", "soak_h", "baro_kpa", "ambient_c"])
def test_what_a_trip_has_once_is_not_witnessed_by_every_opening_of_it(name):
    """Two bad trips and two good ones: forty openings, but four hours of the day."""
    rows = [[0, 0, trip % 2 == 0, 0.0, trip, {name: float(trip % 2 * 10 + trip)}]
            for trip in range(4) for _ in range(10)]  # fmt: skip
    assert describe(rows, "openings") == ("No circumstance stands out.",)
    many = [[0, 0, trip % 2 == 0, 0.0, trip, {name: float(trip % 2 * 10)}]
            for trip in range(16) for _ in range(3)]  # fmt: skip
    assert describe(many, "openings")[0].startswith("Only with")


def test_chance_alone_is_called_chance():
    """Of fifty cars whose failures follow nothing, few may be told a circumstance: the
    false-discovery rate is held at five per cent; twice that is allowed for luck."""
    generator = np.random.default_rng(3)
    told = 0
    for _ in range(50):
        rows = [
            (bool(generator.random() < 0.4), {
                "ect_c": float(generator.normal(88, 4)), "rpm": float(generator.normal(2200, 300)),
                "minutes": float(generator.uniform(0, 40)),
            })
            for _ in range(40)
        ]  # fmt: skip
        told += describe(chances(rows), "openings") != ("No circumstance stands out.",)
    assert told <= 5


def test_too_few_say_that_they_are_too_few():
    bad, fine = (True, {"ect_c": 90.0}), (False, {"ect_c": 60.0})
    assert describe(chances([fine] * 9), "openings") == ()
    assert "Too few failures" in describe(chances([bad, fine]), "openings")[0]
    assert "Too few sound openings" in describe(chances([bad] * 9 + [fine]), "openings")[0]
    assert "all of 9 openings" in describe(chances([bad] * 9), "openings")[0]


# What diagnosticians ask after first.
@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("ect_c", "coolant"), ("iat_c", "intake air"), ("ambient_c", "outside air"),
        ("minutes", "since start"), ("soak_h", "rest before"), ("speed_kmh", "speed"),
        ("rpm", "engine speed"), ("load_pct", "load"), ("battery_v", "battery"),
        ("baro_kpa", "outside pressure"), ("fuel_pct", "fuel level"), ("hour", "hour of the day"),
    ],
)  # fmt: skip
def test_every_listed_circumstance_can_stand_out(name, word):
    """Nine failures above, thirty good ones below; the interval of 9 of 9 is Clopper–Pearson
    by SciPy: 0.664 to 1."""
    rows = [(i >= 30, {name: float(i), "other": 1.0}) for i in range(39)]
    said = describe(chances(rows), "openings")[0]
    assert said.startswith("Only with")
    assert word in said
    assert "9 of 9 openings failed there (66 to 100 %), 0 of 30 elsewhere" in said


def test_the_pipeline_notes_them_all():
    """One trip with every channel: what each opening carries as its circumstances."""
    columns = {c[0]: c for c in drive(Faults(), trips=1)}
    t_ms = columns["rpm"][1]
    more = {"aat": 12.0, "load_pct": 35.0, "vpwr": 14.1, "fli": 60.0}
    series = [as_series(*c) for c in columns.values()]
    series += [as_series(name, t_ms, np.full(len(t_ms), value)) for name, value in more.items()]
    pipeline = Pipeline(Vehicle("small test engine", 0.95, 4, "petrol"))
    openings = [o for batch in batches(series, []) for o in pipeline.feed(batch).openings]
    listed = set(WORDS) - {
        "soak_h",
        "asked_pct",
    }  # the opening itself has that; before the first trip nobody knows how long it stood
    assert listed <= set(openings[-1].context)
    assert 0 <= openings[-1].context["hour"] < 24


def test_the_same_evidence_gives_the_same_words():
    rows = [(i % 3 == 0, {"ect_c": float(i)}) for i in range(30)]
    assert describe(chances(rows), "openings") == describe(chances(rows), "openings")
