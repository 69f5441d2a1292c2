"""The invariant on which everything rests: cutting a recording otherwise changes no finding."""

from __future__ import annotations

import json
from dataclasses import asdict
from functools import lru_cache

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from plain_engine import Faults, batches, recording
from sootsayer.judge.handwork import check_event, repair_event
from sootsayer.model import Batch, CodeSeen, CodesRead, CodeStatus, Series
from sootsayer.pipeline import Pipeline
from sootsayer.vehicle import Vehicle

SMALL = Vehicle("small test engine", 0.95, 4, "petrol")
FAULTS = Faults(passage=0.0, hot_only_above_c=85, leak_g_s=0.3, idle_sd_rpm=60)
START_MS = 1_760_000_000_000
END_MS = START_MS + 7 * 3_600_000
CODES = (
    CodeSeen(START_MS + 700_500, "7E8", "P0401", CodeStatus.PENDING),
    CodesRead(START_MS + 700_500, "7E8", CodeStatus.PENDING, 1),
    check_event(START_MS + 900_000, "open_by_hand", "no_change"),
    repair_event(START_MS + 5 * 3_600_000, "passage cleaned"),  # between the trips
    check_event(START_MS + 6 * 3_600_000 + 200_000, "open_by_hand", "stumbles"),
)


@lru_cache(maxsize=1)
def car() -> tuple[Series, ...]:
    return tuple(recording(FAULTS, trips=2, laps=5))


def with_codes(parts: list[Batch]) -> list[Batch]:
    before = -(1 << 60)
    result = []
    for batch in parts:
        due = tuple(c for c in CODES if before < c.t_ms <= batch.upto_ms)
        result.append(Batch(batch.upto_ms, batch.series, due))
        before = batch.upto_ms
    return result


def judged(parts: list[Batch], restart_every: int | None = None) -> str:
    """Everything that is found, as text, so that equality means equality to the last bit."""
    pipeline = Pipeline(SMALL)
    openings, episodes, last_alert = [], [], {}
    for number, batch in enumerate(parts):
        changes = pipeline.feed(batch)
        openings += changes.openings
        episodes += changes.episodes
        last_alert.update({(a.rule, a.first_ms, a.title): a for a in changes.alerts})
        if restart_every and number % restart_every == 0:
            pipeline = restarted(pipeline, parts[: number + 1])
    found = [asdict(pipeline.verdict()), openings, episodes, sorted(last_alert.items())]
    return repr(found)


def restarted(pipeline: Pipeline, fed: list[Batch]) -> Pipeline:
    """What a service does after a restart: take up the state, feed again what came after it."""
    state = json.loads(json.dumps(pipeline.state()))
    fresh = Pipeline.restore(SMALL, state)
    assert fresh is not None
    done_ms = fresh.done_ms if fresh.done_ms is not None else -(1 << 60)
    for batch in fed:
        if batch.upto_ms > done_ms:
            rest = [
                Series(s.channel, s.scaling, s.t_ms[s.t_ms > done_ms], s.raw[s.t_ms > done_ms])
                for s in batch.series
            ]
            fresh.feed(
                Batch(
                    batch.upto_ms,
                    tuple(s for s in rest if len(s.t_ms)),
                    tuple(e for e in batch.events if e.t_ms > done_ms),
                )
            )
    return fresh


@lru_cache(maxsize=1)
def whole() -> str:
    return judged(with_codes(batches(list(car()), [])))


def test_the_car_gives_something_to_find():
    assert "'F1'" in whole()
    assert "P0401" in whole()
    assert "“passage cleaned”" in whole()


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.integers(START_MS, END_MS), max_size=60))
def test_any_cutting_finds_the_same(cuts_ms):
    assert judged(with_codes(batches(list(car()), cuts_ms))) == whole()


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.integers(START_MS, END_MS), min_size=3, max_size=25), st.integers(1, 5))
def test_any_restart_finds_the_same(cuts_ms, restart_every):
    parts = with_codes(batches(list(car()), cuts_ms))
    assert judged(parts, restart_every) == whole()


def test_a_batch_every_second_finds_the_same():
    cuts_ms = list(range(START_MS, START_MS + 1_400_000, 1000))
    assert judged(with_codes(batches(list(car()), cuts_ms))) == whole()


def test_a_state_of_an_older_program_is_refused():
    state = Pipeline(SMALL).state()
    assert Pipeline.restore(SMALL, {**state, "version": -1}) is None


@pytest.mark.parametrize("without", [("map",), ("rpm",), ("egr_pct", "egr_err"), ("vss", "ect")])
def test_missing_channels_are_no_trouble(without):
    parts = [s for s in car() if s.channel not in without]
    pipeline = Pipeline(SMALL)
    for batch in batches(parts, []):
        pipeline.feed(batch)
    assert pipeline.verdict().sentence
