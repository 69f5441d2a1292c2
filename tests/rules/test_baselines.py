"""What was learned of the sound car: it does not learn a fault, and only a repair resets it."""

from __future__ import annotations

import json

import pytest

from plain_engine import Faults, batches, recording
from sootsayer.judge.handwork import repair_event
from sootsayer.model import Batch, LinkState
from sootsayer.pipeline import Pipeline
from sootsayer.rules.seen import BASELINE_LEAST, BASELINE_VALUES, Baselines
from sootsayer.vehicle import Vehicle

SMALL = Vehicle("small test engine", 0.95, 4, "petrol")


def test_nothing_is_usual_before_enough_was_seen():
    learned = Baselines()
    for _ in range(BASELINE_LEAST - 1):
        learned.learn("E2", 9.0)
    assert learned.usual("E2") is None
    assert learned.spread("E2") is None


def test_a_slow_fault_does_not_move_it():
    """A value that grows a little each time never pulls its own measure along."""
    learned = Baselines()
    for step in range(400):
        learned.learn("E2", 9.0 + 0.1 * step)
    assert learned.usual("E2") == pytest.approx(9.0 + 0.1 * BASELINE_VALUES / 2, abs=0.1)


def test_one_wild_value_is_left_alone():
    learned = Baselines()
    for value in [1.0, 2.0, 3.0, 2.0, 1.0, 3.0, 2.0, 900.0]:
        learned.learn("E1", value)
    assert learned.usual("E1") == 2.0
    assert learned.spread("E1") == pytest.approx(1.4826)


def test_it_survives_a_restart_and_a_repair_begins_it_anew():
    pipeline = Pipeline(SMALL)
    for batch in batches(recording(Faults(), trips=2, laps=3), []):
        pipeline.feed(batch)
    assert pipeline.baselines.values["P3T"]
    assert pipeline.happenings.band.cells
    state = json.loads(json.dumps(pipeline.state()))
    again = Pipeline.restore(SMALL, state)
    assert again is not None
    assert again.baselines.values == pipeline.baselines.values
    assert again.happenings.band.cells == pipeline.happenings.band.cells
    end_ms = again.done_ms or 0
    again.feed(Batch(end_ms + 1000, (), (repair_event(end_ms + 1, "throttle body changed"),)))
    assert again.baselines.values == {}
    assert again.happenings.band.cells == {}
    assert again.happenings.spark.cells == {}
    assert again.happenings.air_meter.cells == {}


def test_a_leak_that_was_there_from_the_first_day_is_found_all_the_same():
    """No sound stretch was ever seen: physics and the comparison across load find it."""
    pipeline = Pipeline(SMALL)
    for batch in batches(recording(Faults(leak_g_s=0.45, idle_sd_rpm=60), trips=3), []):
        pipeline.feed(batch)
    verdict = pipeline.verdict()
    assert verdict.links[3].state is LinkState.BROKEN
    assert {"F2", "E2"} <= {alert.rule for alert in verdict.alerts}
    assert verdict.causes[0].cause == "leaking_shut"
