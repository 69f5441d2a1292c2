"""The same faults, the same first broken link, when every reading goes through an adapter.

The cars' trips are driven side by side beforehand. Then each car is asked by the recorder's own
serial source: pyserial opens a port behind which the emulated adapter's mind answers, the list
of what may be sent stands before it, and its replies are decoded, cut into batches and judged.
Nothing waits: whoever would, moves the clock instead, so hours pass in seconds.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from itertools import groupby
from types import ModuleType

import pytest
import serial

from sootsayer.clock import LogClock
from sootsayer.demo.at_commands import AtCommands
from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.demo.journeys import Driven, Journey, drive
from sootsayer.demo.recording import EPOCH_MS, batches, journeys
from sootsayer.demo.replay import ReplayedCar
from sootsayer.model import LinkState, SourceEvent, SourceState, SourceStatus, Verdict
from sootsayer.pipeline import Pipeline
from sootsayer.sources.allow import check
from sootsayer.sources.batching import BatchBuilder
from sootsayer.sources.serial_adapter import SerialSource
from sootsayer.vehicle import Vehicle

ESTATE = Vehicle("Blue estate, 2.4 litre", 2.4, 4, "petrol")
B, D = LinkState.BROKEN, LinkState.DOUBTFUL
TRIPS = 4
TRIP_MINUTES = 16.0
TRIP_EVERY_MS = 3_600_000
REQUEST_MS = 200  # an adapter of the slower kind: five requests a second
BATCH_MS = 60_000
CARS: dict[str, tuple[int, tuple[Fault, ...]]] = {
    "sound": (1, ()),
    "passage choked": (1, (Fault(FaultKind.PASSAGE_CHOKED, 1.0),)),
    "stuck shut": (1, (Fault(FaultKind.VALVE_STUCK_SHUT, 1.0),)),
    "leaks when shut": (2, (Fault(FaultKind.VALVE_LEAKS, 0.8),)),
    "gear input wrong": (1, (Fault(FaultKind.GEAR_INPUT, 1.0),)),
}


class ManualClock(LogClock):
    """Log time that moves only when it is told to."""

    def __init__(self, t_ms: int) -> None:
        super().__init__(0)
        self.t_ms = t_ms

    def now_ms(self) -> int:
        return self.t_ms


class MovesTheClock(threading.Event):
    """What a source waits on: waiting moves the clock, and the end of the last trip stops it."""

    def __init__(self, clock: ManualClock, end_ms: int) -> None:
        super().__init__()
        self._clock = clock
        self._end_ms = end_ms

    def wait(self, timeout: float | None = None) -> bool:
        assert timeout is not None, "this source would wait for ever"
        self._clock.t_ms += max(1, round(timeout * 1000))
        return self.is_set()

    def is_set(self) -> bool:
        return self._clock.t_ms > self._end_ms or super().is_set()


class AdapterPort:
    """A port as pyserial would open it, with the emulated adapter's mind at its other end."""

    cars: dict[str, tuple[ReplayedCar, ManualClock]] = {}  # noqa: RUF012
    heard: list[bytes] = []  # noqa: RUF012

    def __init__(self, port: None, **settings: object) -> None:
        self.port = ""
        self._waiting = b""
        self._line = b""

    def open(self) -> None:
        self._car, self._clock = self.cars[self.port.removeprefix("invented://")]
        self._commands = AtCommands(self._car)
        self._cranked = False

    def close(self) -> None:
        self._waiting = b""

    @property
    def in_waiting(self) -> int:
        self._look_at_supply()
        return len(self._waiting)

    def read(self, size: int) -> bytes:
        got, self._waiting = self._waiting[:size], self._waiting[size:]
        return got

    def write(self, written: bytes) -> None:
        self.heard.append(written)
        line = written.decode("ascii").removesuffix("\r")
        echo = f"{line}\r" if self._commands.settings.echo else ""
        self._car.advance(self._clock.t_ms)
        lines, to_car = self._commands.answer(line)
        self._clock.t_ms += REQUEST_MS if to_car else 10
        self._waiting += (echo + "\r".join([*lines, "", ">"])).encode("ascii")

    def _look_at_supply(self) -> None:
        """The starter pulls the supply down and the adapter begins anew, as real ones do."""
        self._car.advance(self._clock.t_ms)
        before, self._cranked = self._cranked, self._car.key_on and self._car.cranking
        if self._cranked and not before:
            self._commands.reset()
            self._waiting += b"\r\rLV RESET\r\r>"


@pytest.fixture(autouse=True)
def invented_ports(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """``invented://NAME`` is a port that pyserial can open."""
    handler = ModuleType("invented_ports.protocol_invented")
    handler.serial_class_for_url = lambda url: (url, AdapterPort)  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "invented_ports", ModuleType("invented_ports"))
    monkeypatch.setitem(sys.modules, handler.__name__, handler)
    monkeypatch.setattr(serial, "protocol_handler_packages", ["invented_ports"])
    AdapterPort.heard.clear()
    yield
    AdapterPort.cars.clear()


@lru_cache(maxsize=1)
def driven() -> list[Driven]:
    """The trips of all cars, side by side."""
    planned = [journeys(TRIPS, *car, minutes=TRIP_MINUTES) for car in CARS.values()]
    return drive([_sooner(trip, number) for car in planned for number, trip in enumerate(car)])


def _sooner(trip: Journey, number: int) -> Journey:
    """Hours of parking between two trips would cost more than the trips and show nothing."""
    start_ms = EPOCH_MS + number * TRIP_EVERY_MS
    return replace(trip, spec=replace(trip.spec, start_ms=start_ms))


def trips_of(car: str) -> list[Driven]:
    number = list(CARS).index(car)
    return driven()[number * TRIPS : (number + 1) * TRIPS]


def judged_directly(car: str) -> Verdict:
    pipeline = Pipeline(ESTATE)
    for batch in batches(trips_of(car)):
        pipeline.feed(batch)
    return pipeline.verdict()


def judged_through_adapter(name: str) -> tuple[Verdict, list[SourceEvent]]:
    car = ReplayedCar(trips_of(name))
    clock = ManualClock(trips_of(name)[0].start_ms - 5_000)
    AdapterPort.cars["car"] = (car, clock)
    pipeline, builder = Pipeline(ESTATE), BatchBuilder()
    events: list[SourceEvent] = []
    taken_ms = clock.t_ms

    def emit(event: SourceEvent) -> None:
        nonlocal taken_ms
        events.append(event)
        builder.add(event)
        if event.t_ms > taken_ms + BATCH_MS:
            taken_ms = event.t_ms - 1
            pipeline.feed(builder.take(taken_ms))

    SerialSource("invented://car", clock).run(emit, MovesTheClock(clock, car.end_ms + 120_000))
    pipeline.feed(builder.take(clock.t_ms))
    return pipeline.verdict(), events


def first_broken(verdict: Verdict) -> str | None:
    return next((str(link.link) for link in verdict.links if link.state is B), None)


# The first broken link of each car, as the judgement of the direct batches finds it in
# tests/pipeline/test_demo_car.py over a longer week.
@pytest.mark.parametrize(
    ("name", "broken"),
    [
        ("sound", None),
        ("passage choked", "flow"),
        ("stuck shut", "move"),
        ("leaks when shut", "flow"),
        ("gear input wrong", "permit"),
    ],
)
def test_through_the_adapter_the_same_link_breaks_first(name: str, broken: str | None) -> None:
    verdict, events = judged_through_adapter(name)
    assert verdict.engine_s > 0.95 * TRIPS * TRIP_MINUTES * 60
    assert first_broken(verdict) == broken == first_broken(judged_directly(name))
    if broken is None:
        assert D not in [link.state for link in verdict.links]
        assert verdict.alerts == ()
    told = [event.state for event in events if isinstance(event, SourceStatus)]
    changes = [state for state, _ in groupby(told)]
    assert changes.count(SourceState.READING) == TRIPS
    assert changes[-1] is SourceState.KEY_OFF
    assert len(AdapterPort.heard) > 10_000
    for line in AdapterPort.heard:
        check(line)
