"""The judgement on the invented car, whose engine shares no code with the estimator.

The same faults also go through candump text, as requests and replies of two control units with
foreign frames between, and come to the same verdict.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import pytest

from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.demo.journeys import Driven, drive, remembered
from sootsayer.demo.recording import batches, journeys
from sootsayer.demo.wire import Wire
from sootsayer.model import Batch, LinkState, Verdict
from sootsayer.pipeline import Pipeline
from sootsayer.sources.captures import read_captures
from sootsayer.vehicle import Vehicle

ESTATE = Vehicle("Blue estate, 2.4 litre", 2.4, 4, "petrol")
H, D, B, U = LinkState.HOLDING, LinkState.DOUBTFUL, LinkState.BROKEN, LinkState.UNSEEN
TRIPS = 6
CAPTURED = ["sound 1", "passage choked", "stuck shut", "leaks when shut", "gear input wrong"]
CAPTURED_TRIPS = 3
CARS: dict[str, tuple[int, tuple[Fault, ...]]] = {
    "sound 1": (1, ()),
    "sound 2": (2, ()),
    "sound 5": (5, ()),
    "passage choked": (1, (Fault(FaultKind.PASSAGE_CHOKED, 1.0),)),
    "choked when hot": (2, (Fault(FaultKind.PASSAGE_CHOKED, 1.0, hot_above_c=30.0),)),
    "one opening in five": (3, (Fault(FaultKind.PASSAGE_CHOKED, 1.0, chance=0.2),)),
    "stuck shut": (1, (Fault(FaultKind.VALVE_STUCK_SHUT, 1.0),)),
    "leaks when shut": (2, (Fault(FaultKind.VALVE_LEAKS, 0.8),)),
    "gear input wrong": (1, (Fault(FaultKind.GEAR_INPUT, 1.0),)),
    "air leak": (1, (Fault(FaultKind.AIR_LEAK, 0.3),)),
    "air meter reads low": (1, (Fault(FaultKind.MAF_LOW, 0.3),)),
}


@lru_cache(maxsize=1)
def recordings() -> dict[str, list[Batch]]:
    """All cars at once, which is what the simulation is good at."""
    trips = drive([j for seed, faults in CARS.values() for j in journeys(TRIPS, seed, faults)])
    return {name: list(batches(trips[i * TRIPS : (i + 1) * TRIPS])) for i, name in enumerate(CARS)}


@lru_cache(maxsize=1)
def driven_for_captures() -> list[Driven]:
    return drive([j for car in CAPTURED for j in journeys(CAPTURED_TRIPS, *CARS[car])])


@lru_cache(maxsize=32)
def verdict(car: str) -> Verdict:
    pipeline = Pipeline(ESTATE)
    for batch in recordings()[car]:
        pipeline.feed(batch)
    return pipeline.verdict()


def states(found: Verdict) -> list[LinkState]:
    return [link.state for link in found.links]


@pytest.mark.parametrize("car", ["sound 1", "sound 2", "sound 5"])
def test_a_healthy_week_accuses_nothing(car):
    found = verdict(car)
    assert states(found) == [H] * 5
    assert [alert.rule for alert in found.alerts] == []


@pytest.mark.parametrize("car", ["air leak", "air meter reads low"])
def test_what_is_not_recirculation_breaks_no_link(car):
    assert B not in states(verdict(car))


def test_an_air_leak_is_called_one():
    assert any("intake leak" in note for note in verdict("air leak").notes)


@pytest.mark.parametrize(
    ("car", "wanted", "cause"),
    [
        ("passage choked", [H, H, H, B], "passage_choked"),
        ("choked when hot", [H, H, H, B], "passage_choked"),
        ("one opening in five", [H, H, H, B], "passage_choked"),
        ("stuck shut", [H, H, B], "stuck_shut"),
        ("leaks when shut", [H, H, H, B], "leaking_shut"),
        ("gear input wrong", [B], "gear_input"),
    ],
)
def test_the_first_broken_link_and_its_cause(car, wanted, cause):
    found = verdict(car)
    assert states(found)[: len(wanted)] == wanted
    assert found.causes[0].cause == cause
    assert found.next_check is not None


def test_the_circumstance_of_a_hot_fault_is_told():
    said = " ".join(verdict("choked when hot").circumstances)
    assert "above" in said
    assert "start" in said or "coolant" in said or "intake" in said


def test_an_intermittent_fault_is_counted_near_its_true_rate():
    alert = next(a for a in verdict("one opening in five").alerts if a.rule == "F1")
    assert 0.1 < alert.seen / alert.chances < 0.35


def test_only_the_metering_changes_what_can_be_seen():
    """The choked car without its air meter, and without its manifold pressure."""
    for without, wanted in (("maf", {H, D, B, U}), ("map", {U})):
        pipeline = Pipeline(ESTATE)
        for batch in recordings()["passage choked"]:
            # Results of the control unit's own test would speak of flow without any pressure.
            own = (without, "mid3")
            kept = tuple(s for s in batch.series if not s.channel.startswith(own))
            pipeline.feed(Batch(batch.upto_ms, kept))
        flow = pipeline.verdict().links[3]
        assert flow.state in wanted
        assert not (without == "map" and flow.chances)


@pytest.mark.parametrize("car", CAPTURED)
def test_candump_text_comes_to_the_same_verdict(tmp_path: Path, car: str):
    number = CAPTURED.index(car)
    trips = driven_for_captures()[number * CAPTURED_TRIPS : (number + 1) * CAPTURED_TRIPS]
    path = tmp_path / "drive.log"
    with path.open("w", encoding="ascii") as out:
        for trip, stored in zip(trips, remembered(trips), strict=True):
            out.writelines(f"{line}\n" for line in Wire(trip, stored, 0.3, True).lines())
    pipeline = Pipeline(ESTATE)
    for batch in read_captures([path], lambda done, total: None):
        pipeline.feed(batch)
    found = states(pipeline.verdict())
    if car == "sound 1":
        assert not {D, B} & set(found)
    else:
        assert found.index(B) == states(verdict(car)).index(B)
