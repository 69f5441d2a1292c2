"""Driving trips and keeping what the control unit would have said at any time of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sootsayer.demo.build import Make
from sootsayer.demo.cars import CHANNELS, ROW, STEP_MS, STEP_S, Cars, CarSpec
from sootsayer.demo.diesel import AirMonitor, cars_of
from sootsayer.demo.drive import Drivers, Road
from sootsayer.demo.encoding import (
    UNREADY,
    constants_of,
    counts,
    monitor_cycle,
    monitor_status,
    readings_of,
    unready_after,
)
from sootsayer.demo.ledger import CHANNELS as COUNTED
from sootsayer.demo.ledger import Counting
from sootsayer.demo.monitor import CODES, EXCESS, FLOW, Memory, Outcome, Results
from sootsayer.model import BoolArray, IntArray

KEPT_STEPS = 2  # what the unit says is kept five times a second
KEPT_MS = KEPT_STEPS * STEP_MS
SECOND_MS = 1000


@dataclass(frozen=True, slots=True)
class Journey:
    """A car at the start of a trip, and its road."""

    spec: CarSpec
    road: Road


@dataclass(frozen=True, slots=True)
class Driven:
    """One trip as the engine's control unit saw it.

    ``raw``: int64 (channels, m), a column every ``KEPT_MS`` from ``start_ms`` on, in the order
    of ``CHANNELS``. ``key_on``: bool (m,). ``tests``: outcome of each monitor and when, log time.
    ``results``: what they measured.
    """

    make: Make
    start_ms: int
    raw: IntArray
    key_on: BoolArray
    tests: tuple[tuple[Outcome, int], ...]
    results: Results
    trims: tuple[float, float]
    stalls: int

    @property
    def key_off_ms(self) -> int:
        """When the key was turned off for good."""
        return self.start_ms + int(np.flatnonzero(self.key_on)[-1] + 1) * KEPT_MS

    def column(self, channel: str) -> IntArray:
        row: IntArray = self.raw[ROW[channel]]
        return row


def drive(
    journeys: Sequence[Journey], progress: Callable[[float], None] = lambda part: None
) -> list[Driven]:
    """Drive all journeys side by side. ``progress`` is told the part done, 0..1."""
    cars = cars_of([journey.spec for journey in journeys])
    drivers = Drivers(cars, [journey.road for journey in journeys])
    steps = round(drivers.seconds / STEP_S)
    kept = np.zeros((steps // KEPT_STEPS, len(CHANNELS), len(journeys)), dtype=np.float32)
    key_on = np.zeros((steps // KEPT_STEPS, len(journeys)), dtype=np.bool_)
    now = np.zeros((len(CHANNELS), len(journeys)))
    for step in range(steps):
        cars.step(drivers.controls(step))
        if step % KEPT_STEPS == 0:
            cars.readings(now)
            kept[step // KEPT_STEPS] = now
            key_on[step // KEPT_STEPS] = cars.ignition
        if step % 600 == 0:
            progress(step / steps)
    progress(1.0)
    return [_one(cars, journeys[car], kept[:, :, car], key_on[:, car], car)
            for car in range(len(journeys))]  # fmt: skip


def _one(cars: Cars, journey: Journey, kept: np.ndarray, key_on: BoolArray, car: int) -> Driven:
    start_ms = journey.spec.start_ms
    on = np.flatnonzero(key_on)
    end = min(int(on[-1]) + 2, len(key_on))
    tests = zip(cars.monitor.outcome[:, car], cars.monitor.done_s[:, car], strict=True)
    return Driven(
        make=journey.spec.make,
        start_ms=start_ms,
        raw=counts(kept[:end].T.astype(np.float64)),
        key_on=key_on[:end],
        tests=tuple((Outcome(int(o)), _at_ms(start_ms, float(s))) for o, s in tests),
        results=measured(cars, car),
        trims=(float(cars.fuel.learned[0, car]), float(cars.fuel.learned[1, car])),
        stalls=int(cars.stalls[car]),
    )


def _at_ms(start_ms: int, after_s: float) -> int:
    return start_ms if np.isnan(after_s) else start_ms + int(after_s * 1000)


# ---------------------------------------------------------------- codes over several trips


@dataclass(frozen=True, slots=True)
class Stored:
    """From ``t_ms`` on the control unit has this in its memory."""

    t_ms: int
    memory: Memory


def measured(cars: Cars, car: int) -> Results:
    """What the recirculation tests of a car's present trip measured so far."""
    monitor = cars.monitor
    if isinstance(monitor, AirMonitor):
        return Results()  # it measures neither a fall of pressure nor air at idle
    ran = monitor.outcome[:, car] != Outcome.NOT_RUN
    fell, least = (float(kpa) for kpa in monitor.fell_kpa[:, car])
    return Results(
        (fell, least) if ran[FLOW] else None,
        float(monitor.idle_air_part[car]) if ran[EXCESS] else None,
    )


CLEARED, KEY_OFF = -1, -2  # what may happen in a trip beside a test, which has its number


def remembered(
    trips: Iterable[Driven], memory: Memory | None = None, cleared_ms: Sequence[int] = ()
) -> list[list[Stored]]:
    """What one car's control unit has stored through each of its trips, in time order.

    ``cleared_ms``: log times at which a tester cleared its codes, key on or between two trips.
    """
    return _followed(trips, memory, cleared_ms)[0]


def memory_after(trips: Iterable[Driven], memory: Memory | None = None) -> Memory:
    """What it has stored when the last of these trips is over."""
    return _followed(trips, memory, ())[1]


def _followed(
    trips: Iterable[Driven], memory: Memory | None, cleared_ms: Sequence[int]
) -> tuple[list[list[Stored]], Memory]:
    now = memory or Memory()
    clears = sorted(cleared_ms)
    through: list[list[Stored]] = []
    for trip in trips:
        while clears and clears[0] <= trip.start_ms:
            clears.pop(0)
            now = now.cleared(UNREADY)
        within = [t_ms for t_ms in clears if t_ms < trip.key_off_ms]
        del clears[: len(within)]
        steps, now = _through(trip, now, within)
        through.append(steps)
    return through, now


def _through(trip: Driven, memory: Memory, clears: Sequence[int]) -> tuple[list[Stored], Memory]:
    """The steps of one trip, and what is stored after it."""
    steps = [Stored(trip.start_ms, memory)]
    seconds, at = _seconds(trip), 0
    counting = Counting(memory.ledger)
    for t_ms, what in _happenings(trip, clears):
        upto = (t_ms - trip.start_ms) // 1000
        for second in seconds[at:upto]:
            counting.second(*second, memory.lamp)
        at = max(at, upto)
        memory = replace(memory, ledger=counting.ledger())
        if what == KEY_OFF:
            break
        memory = memory.cleared(UNREADY) if what == CLEARED else _tested(memory, trip, what, t_ms)
        counting.take(memory.ledger)
        steps.append(Stored(t_ms, memory))
    unready = unready_after(memory.unready, False, memory.ledger)
    ended = memory.end_of_trip([outcome for outcome, _ in trip.tests])
    return steps, replace(ended, unready=unready)


def _happenings(trip: Driven, clears: Sequence[int]) -> list[tuple[int, int]]:
    """Times and what happened then, in time order; the key's turning off is the last."""
    told = [(t_ms, CLEARED) for t_ms in clears]
    for test, (outcome, t_ms) in enumerate(trip.tests):
        measures = test in (FLOW, EXCESS) and outcome is not Outcome.NOT_RUN
        if measures or outcome is Outcome.FAILED:
            told.append((t_ms, test))
    return [*sorted(told), (trip.key_off_ms, KEY_OFF)]


def _tested(memory: Memory, trip: Driven, test: int, t_ms: int) -> Memory:
    """After a test was carried through."""
    if test == FLOW:
        memory = memory.flow_tested(trip.results.fell_kpa)
        memory = replace(memory, unready=unready_after(memory.unready, True, memory.ledger))
    if test == EXCESS:
        memory = memory.idle_tested(trip.results.idle_air_part)
    if trip.tests[test][0] is Outcome.FAILED:
        at = min((t_ms - trip.start_ms) // KEPT_MS, trip.raw.shape[1] - 1)
        raw = dict(zip(CHANNELS, trip.raw[:, at].tolist(), strict=True))
        memory = memory.failed(CODES[test], raw | constants_of(trip.make))
    return memory


def _seconds(trip: Driven) -> list[tuple[float, float, float, float]]:
    """Engine speed, road speed, coolant and air flow, once a second."""
    names = ("rpm", "vss", "ect", "maf")
    each = SECOND_MS // KEPT_MS
    columns = (readings_of(name, trip.column(name)[::each]).tolist() for name in names)
    return list(zip(*columns, strict=True))


def status_columns(trip: Driven, stored: Sequence[Stored]) -> dict[str, IntArray]:
    """Raw integers of the channels that the engine model does not know, each of shape (m,)."""
    count = trip.raw.shape[1]
    diesel = trip.make.compression_ignition
    t_ms = trip.start_ms + KEPT_MS * np.arange(count)
    status = np.zeros(count, dtype=np.int64)
    for step in stored:
        status[t_ms >= step.t_ms] = monitor_status(step.memory, diesel)
    flow, flow_ms = trip.tests[FLOW]
    tested = (t_ms >= flow_ms) & (flow is not Outcome.NOT_RUN)
    run_s = trip.column("runtm")
    cycle = [
        monitor_cycle(bool(done), float(run), diesel)
        for done, run in zip(tested, run_s, strict=True)
    ]
    columns = {"monitor_status": status, "monitor_cycle": np.array(cycle, dtype=np.int64)}
    for name, value in constants_of(trip.make).items():
        columns[name] = np.full(count, value, dtype=np.int64)
    return columns | _counted(trip, stored)


def _counted(trip: Driven, stored: Sequence[Stored]) -> dict[str, IntArray]:
    """What is counted since codes were cleared, through one trip."""
    counting = Counting(stored[0].memory.ledger)
    coming = list(stored)
    lamp = False
    rows = []
    for number, second in enumerate(_seconds(trip)):
        while coming and coming[0].t_ms < trip.start_ms + SECOND_MS * (number + 1):
            memory = coming.pop(0).memory
            counting.take(memory.ledger)
            lamp = memory.lamp
        rows.append(tuple(counting.raw().values()))
        counting.second(*second, lamp)
    table = np.array(rows, dtype=np.int64).repeat(SECOND_MS // KEPT_MS, axis=0)
    return {name: table[: trip.raw.shape[1], at] for at, name in enumerate(COUNTED)}


def moments(trip: Driven, stored: Sequence[Stored]) -> Iterator[dict[str, int]]:
    """Raw integers by channel, one mapping for every kept column of the trip."""
    columns = dict(zip(CHANNELS, trip.raw, strict=True)) | status_columns(trip, stored)
    names = tuple(columns)
    for values in zip(*(column.tolist() for column in columns.values()), strict=True):
        yield dict(zip(names, values, strict=True))
