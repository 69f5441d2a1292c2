"""Driving trips and keeping what the control unit would have said at any time of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from sootsayer.demo.build import Make
from sootsayer.demo.cars import CHANNELS, ROW, STEP_MS, STEP_S, Cars, CarSpec
from sootsayer.demo.drive import Drivers, Road
from sootsayer.demo.encoding import CONSTANT_COUNTS, counts, monitor_cycle, monitor_status
from sootsayer.demo.monitor import CODES, FLOW, Memory, Outcome
from sootsayer.model import BoolArray, IntArray

KEPT_STEPS = 2  # what the unit says is kept five times a second
KEPT_MS = KEPT_STEPS * STEP_MS


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
    """

    make: Make
    start_ms: int
    raw: IntArray
    key_on: BoolArray
    tests: tuple[tuple[Outcome, int], ...]
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
    cars = Cars([journey.spec for journey in journeys])
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


def remembered(trips: Iterable[Driven], memory: Memory | None = None) -> list[list[Stored]]:
    """What one car's control unit has stored through each of its trips, in time order."""
    now = memory or Memory()
    through: list[list[Stored]] = []
    for trip in trips:
        steps = [Stored(trip.start_ms, now)]
        for t_ms, code in _failures(trip):
            now = now.failed(code)
            steps.append(Stored(t_ms, now))
        now = now.end_of_trip([outcome for outcome, _ in trip.tests])
        through.append(steps)
    return through


def _failures(trip: Driven) -> list[tuple[int, str]]:
    failed = [
        (t_ms, code)
        for code, (outcome, t_ms) in zip(CODES, trip.tests, strict=True)
        if outcome is Outcome.FAILED
    ]
    return sorted(failed)


def status_columns(trip: Driven, stored: Sequence[Stored]) -> dict[str, IntArray]:
    """Raw integers of the channels that the engine model does not know, each of shape (m,)."""
    count = trip.raw.shape[1]
    t_ms = trip.start_ms + KEPT_MS * np.arange(count)
    status = np.zeros(count, dtype=np.int64)
    for step in stored:
        status[t_ms >= step.t_ms] = monitor_status(step.memory)
    flow, flow_ms = trip.tests[FLOW]
    tested = (t_ms >= flow_ms) & (flow is not Outcome.NOT_RUN)
    run_s = trip.column("runtm")
    cycle = [monitor_cycle(bool(done), float(run)) for done, run in zip(tested, run_s, strict=True)]
    columns = {"monitor_status": status, "monitor_cycle": np.array(cycle, dtype=np.int64)}
    for name, value in CONSTANT_COUNTS.items():
        columns[name] = np.full(count, value, dtype=np.int64)
    return columns


def moments(trip: Driven, stored: Sequence[Stored]) -> Iterator[dict[str, int]]:
    """Raw integers by channel, one mapping for every kept column of the trip."""
    columns = dict(zip(CHANNELS, trip.raw, strict=True)) | status_columns(trip, stored)
    names = tuple(columns)
    for values in zip(*(column.tolist() for column in columns.values()), strict=True):
        yield dict(zip(names, values, strict=True))
