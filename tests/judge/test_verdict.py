"""Whole verdicts on the published test engine: state of each link and the sentence a person reads.

The engine (tests/plain_engine.py) shares nothing with the estimator.
"""

from __future__ import annotations

from functools import lru_cache

import pytest

from plain_engine import Faults, batches, recording
from sootsayer.model import LinkState, Verdict
from sootsayer.pipeline import Pipeline
from sootsayer.vehicle import Vehicle

SMALL = Vehicle("small test engine", 0.95, 4, "petrol")
H, D, B, U = LinkState.HOLDING, LinkState.DOUBTFUL, LinkState.BROKEN, LinkState.UNSEEN
FAULTS = {
    "sound": Faults(),
    "passage choked": Faults(passage=0.0),
    "stuck shut": Faults(lift=0.0),
    "leaks": Faults(leak_g_s=0.6, idle_sd_rpm=90),
    "gear input": Faults(permitted=False, neutral=True),
    "never asked": Faults(permitted=False),
    "asked when cold": Faults(cold_open=True),
}


@lru_cache(maxsize=32)
def verdict(fault: str, without: tuple[str, ...] = (), trips: int = 3) -> Verdict:
    pipeline = Pipeline(SMALL)
    for batch in batches(recording(FAULTS[fault], without=without, trips=trips), []):
        pipeline.feed(batch)
    return pipeline.verdict()


@pytest.mark.parametrize(
    ("fault", "states", "sentence"),
    [
        ("sound", [H, H, H, H, H], "Every link of recirculation holds."),
        ("passage choked", [H, H, H, D, H],
         "Gas flow through the valve is in doubt; one kind of evidence says so."),
        ("stuck shut", [H, H, B, U, H], "The valve is asked to open but does not follow."),
        ("leaks", [H, H, H, B, D], "Exhaust gas gets in although the valve is told to be shut."),
        ("gear input", [B, U, U, U, H],
         "Recirculation is forbidden because the gear input says park or neutral on the move."),
        ("never asked", [D, U, U, U, H],
         "Recirculation may be withheld when it is due; one kind of evidence says so."),
        ("asked when cold", [H, D, H, H, H],
         "Recirculation may be asked for at the wrong time; one kind of evidence says so."),
    ],
)  # fmt: skip
def test_links_and_sentence(fault, states, sentence):
    found = verdict(fault)
    assert [link.state for link in found.links] == states
    assert found.sentence == sentence
    assert found.why


def test_holding_is_never_said_without_exposure():
    for fault in FAULTS:
        for link in verdict(fault).links:
            if link.state is H:
                assert link.eligible_s > 0
                assert any(sign.isdigit() for sign in link.fact)


def test_air_mass_alone_shows_no_flow_and_says_what_would():
    found = verdict("passage choked", ("map",))
    flow = found.links[3]
    assert flow.state is U
    assert "manifold pressure sensor" in flow.fact
    assert found.alerts == ()


def test_throttle_and_map_show_flow_too():
    flow = verdict("sound", ("maf",)).links[3]
    assert flow.state is H


def test_no_position_is_no_proof_that_the_valve_moves():
    found = verdict("passage choked", ("egr_err",))
    assert found.links[2].state is U
    assert "position" in found.links[2].fact


def test_one_cold_trip_is_not_enough():
    pipeline = Pipeline(SMALL)
    for batch in batches(recording(Faults(), trips=1, laps=1), []):
        pipeline.feed(batch)
    found = pipeline.verdict()
    assert found.sentence == "Not enough was seen to say anything, good or bad."
    assert {link.state for link in found.links} == {U}


def test_a_new_archive_says_what_it_waits_for():
    found = Pipeline(SMALL).verdict()
    assert found.sentence == "Nothing is known yet."
    assert "half an hour" in found.why


def test_what_the_vehicle_file_says_wrong_is_reported():
    stated = Vehicle("test", 0.95, 4, "petrol", metering="map", feedback="none")
    pipeline = Pipeline(stated)
    for batch in batches(recording(Faults(), trips=1), []):
        pipeline.feed(batch)
    notes = " ".join(pipeline.verdict().notes)
    assert "metering = map" in notes
    assert "feedback" in notes


def test_how_sure_is_an_exact_interval():
    said = " ".join(verdict("stuck shut").sure)
    assert "48 of 48 openings" in said
    assert "between 93 and 100 %" in said  # Clopper–Pearson, by SciPy: 0.926


def test_compression_ignition_is_not_blamed_for_idle_recirculation():
    pipeline = Pipeline(Vehicle("test", 0.95, 4, "diesel"))
    for batch in batches(recording(FAULTS["asked when cold"]), []):
        pipeline.feed(batch)
    assert not any(alert.rule == "A1" for alert in pipeline.verdict().alerts)
