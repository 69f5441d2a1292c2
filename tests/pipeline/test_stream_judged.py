"""A car without the standard socket is judged as well: the same drives, told as a serial stream."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files

import pytest

from sootsayer.demo.cars import CHANNELS
from sootsayer.demo.encoding import CONSTANT_COUNTS
from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.demo.journeys import KEPT_MS, Driven, drive
from sootsayer.demo.recording import journeys
from sootsayer.demo.stream import REQUEST, reply
from sootsayer.model import Link, LinkState, Verdict
from sootsayer.pipeline import Pipeline
from sootsayer.protocol.stream_table import stream_from
from sootsayer.protocol.streams import ECHOES, FRAMES, StreamDecoder
from sootsayer.sources.batching import BatchBuilder
from sootsayer.vehicle import Vehicle

ESTATE = Vehicle("Blue estate, 2.4 litre", 2.4, 4, "petrol")
CARS = {
    "sound": (),
    "passage choked": (Fault(FaultKind.PASSAGE_CHOKED, 1.0),),
    "stuck shut": (Fault(FaultKind.VALVE_STUCK_SHUT, 1.0),),
}
TRIPS, MINUTES = 2, 20.0
EVERY_MS, MINUTE_MS = 200, 60_000
TABLE = stream_from(
    tomllib.loads(
        files("sootsayer_config").joinpath("streams/example.toml").read_text(encoding="utf-8")
    ),
    "example",
)


@cache
def driven() -> dict[str, list[Driven]]:
    """All cars at once, which is what the simulation is good at."""
    trips = drive([j for faults in CARS.values() for j in journeys(TRIPS, 1, faults,
                                                                   minutes=MINUTES)])  # fmt: skip
    return {name: trips[i * TRIPS : (i + 1) * TRIPS] for i, name in enumerate(CARS)}


def as_stream(trips: list[Driven], pipeline: Pipeline) -> StreamDecoder:
    """Every fifth of a second a request, its echo and a reply; a batch each minute."""
    decoder, builder = StreamDecoder(TABLE), BatchBuilder()
    for trip in trips:
        taken_ms = trip.start_ms
        for step in range(0, trip.raw.shape[1], EVERY_MS // KEPT_MS):
            t_ms = trip.start_ms + step * KEPT_MS
            if trip.key_on[step]:
                raw = dict(zip(CHANNELS, trip.raw[:, step].tolist(), strict=True))
                decoder.sent(REQUEST)
                for reading in decoder.feed(t_ms, REQUEST + reply(raw | CONSTANT_COUNTS)):
                    builder.add(reading)
            if t_ms - taken_ms >= MINUTE_MS:
                taken_ms = t_ms
                pipeline.feed(builder.take(t_ms))
        pipeline.feed(builder.take(trip.key_off_ms + MINUTE_MS))
    return decoder


@cache
def verdict(car: str) -> Verdict:
    pipeline = Pipeline(ESTATE)
    decoder = as_stream(driven()[car], pipeline)
    assert decoder.counters[FRAMES] == decoder.counters[ECHOES] > 5000
    return pipeline.verdict()


def link(found: Verdict, wanted: Link) -> LinkState:
    return next(one.state for one in found.links if one.link is wanted)


@pytest.mark.parametrize("car", CARS)
def test_the_valve_is_seen_asked_for(car: str) -> None:
    found = verdict(car)
    assert found.trips == TRIPS and link(found, Link.ASK) is LinkState.HOLDING


def test_a_sound_car_is_not_accused() -> None:
    found = verdict("sound")
    assert found.alerts == ()
    assert link(found, Link.MOVE) is LinkState.HOLDING
    assert link(found, Link.FLOW) is LinkState.HOLDING


def test_a_choked_passage_breaks_flow_and_not_move() -> None:
    found = verdict("passage choked")
    assert link(found, Link.MOVE) is LinkState.HOLDING
    assert link(found, Link.FLOW) in (LinkState.BROKEN, LinkState.DOUBTFUL)


def test_a_valve_stuck_shut_breaks_move() -> None:
    assert link(verdict("stuck shut"), Link.MOVE) in (LinkState.BROKEN, LinkState.DOUBTFUL)
