"""The demo's story: a blue estate whose recirculation passage chokes with carbon.

At first nothing is wrong. Then a flake of carbon lies in the passage which closes it only once
the engine bay is thoroughly warm, while the valve itself moves as asked. The control unit tests
early in each trip, before that heat, so for long it stores no code.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import count

import numpy as np

from sootsayer.demo.build import Make, individual
from sootsayer.demo.cars import CarSpec
from sootsayer.demo.drive import Road, RoadBuilder, commute
from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.demo.journeys import Journey, drive, memory_after
from sootsayer.demo.live import LiveCar
from sootsayer.demo.monitor import Memory
from sootsayer.demo.recording import batches
from sootsayer.demo.warmth import Weather
from sootsayer.model import Batch

DAY_MS = 86_400_000
HOUR_MS = 3_600_000
MINUTE_MS = 60_000
TRIP_MINUTES = (15.0, 19.0)
LAST_TRIP_ENDED_MS = 45 * MINUTE_MS  # before now: the engine is still half warm
SOUND_PART = 0.4  # of the days told
HOT_BAY_C = 31.0
RUNNING_COOLANT_C, RUNNING_BAY_C = 89.0, 38.0
COOLANT_COOLS_H, BAY_COOLS_H = 2.4, 1.1

LOOK_FOR = (
    "The story: a blue estate, 2.4 litre. In the first days its recirculation works. Then carbon "
    "comes loose in the passage and closes it, but only once the engine bay is warm, some quarter "
    "of an hour into a trip. The valve moves as it is asked all the while, and the car's own "
    "computer tests too early in most trips to notice. Look for: Flow broken while Move holds, the "
    "openings that failed and how warm it was, and the next check by hand. Live, the car has just "
    "been started half warm: the next openings still pass gas, those after a few minutes do not."
)


def story_car(seed: int) -> Make:
    """The one car of the story."""
    return individual(Make(), seed)


def story_faults(days: int, end_ms: int) -> tuple[Fault, ...]:
    """What befalls it, on a time scale of the days told."""
    begins = end_ms - round(days * (1.0 - SOUND_PART) * DAY_MS)
    return (
        Fault(FaultKind.PASSAGE_CHOKED, 0.97, begins, begins + HOUR_MS, hot_above_c=HOT_BAY_C),
        Fault(FaultKind.PASSAGE_CHOKED, 0.25, begins, end_ms),
    )


class Story:
    """Some days of the car's past up to ``end_ms`` (log time), and the car itself, live."""

    def __init__(self, days: int, seed: int, end_ms: int) -> None:
        if days < 1:
            raise ValueError(f"{days} days of history, must be at least 1")
        self.seed = seed
        self.end_ms = end_ms
        self.faults = story_faults(days, end_ms)
        self.journeys = _journeys(days, seed, end_ms, self.faults)
        self.memory = Memory()
        self._car = story_car(seed)

    def batches(self, progress: Callable[[float], None] = lambda part: None) -> Iterator[Batch]:
        """The history in time order, a minute each. ``progress`` hears the part driven, 0..1."""
        trips = drive(self.journeys, progress)
        self.memory = memory_after(trips)
        yield from batches(trips)

    def live_car(self, start_ms: int) -> LiveCar:
        """The car setting off again at ``start_ms``, some minutes after its last trip."""
        soaked_h = (start_ms - self.end_ms + LAST_TRIP_ENDED_MS) / HOUR_MS
        spec = _spec(self._car, self.seed * 100_000, self.faults, _weather(self.seed, 0),
                     start_ms, max(soaked_h, 0.0))  # fmt: skip
        roads = _endless(self.seed)
        return LiveCar(spec, lambda: next(roads), self.memory)


def history(
    days: int, seed: int, end_ms: int, progress: Callable[[float], None] = lambda part: None
) -> Iterator[Batch]:
    """Several days of the story ending shortly before ``end_ms``."""
    return Story(days, seed, end_ms).batches(progress)


def live_car(seed: int, start_ms: int, days: int = 5) -> LiveCar:
    """The story's car without its past."""
    return Story(days, seed, start_ms).live_car(start_ms)


# ---------------------------------------------------------------- the past


def _journeys(days: int, seed: int, end_ms: int, faults: tuple[Fault, ...]) -> list[Journey]:
    draw = np.random.default_rng([seed, 0x5707])
    car = story_car(seed)
    ends: list[int] = []
    for day in range(days):
        today = end_ms - LAST_TRIP_ENDED_MS - day * DAY_MS
        jitter = int(draw.integers(0, 40 * MINUTE_MS)) if day else 0
        ends += [today - jitter, today - 9 * HOUR_MS - int(draw.integers(0, 30 * MINUTE_MS))]
        if day % 2 == 0:
            ends.append(today - 4 * HOUR_MS - int(draw.integers(0, 90 * MINUTE_MS)))
    planned = []
    previous_ms = min(ends) - 12 * HOUR_MS
    for number, end in enumerate(sorted(ends)):
        trip_seed = seed * 1000 + number
        road = commute(trip_seed, float(draw.uniform(*TRIP_MINUTES)), bool(number % 2))
        start_ms = end - road.seconds * 1000
        soaked_h = (start_ms - previous_ms) / HOUR_MS
        weather = _weather(seed, (end_ms - end) // DAY_MS)
        planned.append(Journey(_spec(car, trip_seed, faults, weather, start_ms, soaked_h), road))
        previous_ms = end
    return planned


def _weather(seed: int, days_ago: int) -> Weather:
    draw = np.random.default_rng([seed, days_ago, 0x3EA])
    return Weather(float(draw.uniform(9.0, 15.0)), float(draw.uniform(98.0, 101.0)))


def _spec(
    car: Make,
    seed: int,
    faults: tuple[Fault, ...],
    weather: Weather,
    start_ms: int,
    soaked_h: float,
) -> CarSpec:
    left = np.exp(-soaked_h / np.array([COOLANT_COOLS_H, BAY_COOLS_H]))
    outside = weather.outside_c
    return CarSpec(
        make=car,
        seed=seed,
        faults=faults,
        weather=weather,
        start_ms=start_ms,
        coolant_c=float(outside + (RUNNING_COOLANT_C - outside) * left[0]),
        bay_c=float(outside + (RUNNING_BAY_C - outside) * left[1]),
        trims=car.settled_trims,
    )


# ---------------------------------------------------------------- the road that never ends


def _endless(seed: int) -> Iterator[Road]:
    """Setting off, then town, suburb and motorway in turn, with stops, for ever."""
    draw = np.random.default_rng([seed, 0x11FE])
    first = RoadBuilder(draw)
    first.start_engine()
    first.suburb(2.0)
    yield first.road()
    for _ in count():
        builder = RoadBuilder(draw)
        builder.highway(4.0)
        builder.suburb(3.0)
        builder.wait(float(draw.uniform(25, 60)))
        builder.town(2.0)
        builder.suburb(3.0)
        builder.wait(float(draw.uniform(15, 40)))
        yield builder.road()
