"""A simulated week of an invented car: short trips, and a clock that hurries over long nights.

The clock runs fast while the source says that the key is off, up to shortly before the next trip,
and at the pace of tests otherwise; so what a parked car costs is nothing, and nothing sleeps.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from sootsayer.clock import LogClock
from sootsayer.demo.at_commands import Car
from sootsayer.demo.build import Make, individual
from sootsayer.demo.cars import CarSpec
from sootsayer.demo.drive import RoadBuilder
from sootsayer.demo.guise import Guise
from sootsayer.demo.journeys import KEPT_MS, Driven, Journey, drive
from sootsayer.demo.replay import ReplayedCar
from sootsayer.live.source_thread import Source
from sootsayer.model import SourceEvent, SourceState, SourceStatus

HOUR_MS = 3_600_000
DAYS = 7
# hours of the day at which a trip begins; each lasts about a minute and a half
TRIPS_H = ((7.5, 17.2), (7.4, 12.0, 17.5), (7.6, 18.1), (6.9, 16.8), (7.5, 12.1, 12.4, 17.3),
           (10.2, 15.0), (11.0, 19.5))  # fmt: skip
WEEK_MS = DAYS * 24 * HOUR_MS
BEFORE_MS = 5_000  # of a trip the clock is slow again
PARKED_RATE = 300_000.0
LEAD_MS = 2_000  # at most so far the clock runs ahead of the source


def trips(seed: int) -> list[Driven]:
    """The week's trips, driven side by side; log time counts from the week's beginning."""
    draw = np.random.default_rng(seed)
    make = individual(Make(), seed)
    journeys = []
    for day, hours in enumerate(TRIPS_H):
        for hour in hours:
            builder = RoadBuilder(draw)
            builder.start_engine()
            builder.go(50, 35)
            builder.slow_to(0.0, 1.3)
            builder.stand(5, 1.0, 1.0, 1.0)
            builder.go(45, 15)
            builder.park()
            start_ms = int((24 * day + hour) * HOUR_MS)
            spec = CarSpec(make, seed + len(journeys), start_ms=start_ms, coolant_c=60.0)
            journeys.append(Journey(spec, builder.road()))
    return drive(journeys)


class WeekClock(LogClock):
    """Log time from ``base_ms`` on at ``rate``; `hurry` goes fast up to a moment.

    While it does not hurry it waits for the thread that calls `pace`: a busy machine makes the
    week longer and leaves no trip out.
    """

    def __init__(self, base_ms: int, rate: float) -> None:
        super().__init__(0, rate)
        self.awake_rate = rate
        self._lock = threading.Lock()
        self._at_s = time.perf_counter()
        self._at_ms = float(base_ms)
        self._until_ms: float | None = None  # hurries up to there
        self._pacer: int | None = None
        self._paced_ms = self._at_ms

    def pace(self) -> None:
        """The calling thread is waited for from now on."""
        self._pacer = threading.get_ident()

    def now_ms(self) -> int:
        with self._lock:
            now_s = time.perf_counter()
            at_ms = self._at_ms + (now_s - self._at_s) * 1000 * self.rate
            if self._until_ms is None:
                at_ms = min(at_ms, max(self._at_ms, self._paced_ms + LEAD_MS))
            elif at_ms >= self._until_ms:
                at_ms, self._until_ms, self.rate = self._until_ms, None, self.awake_rate
                self._paced_ms = at_ms
            self._at_ms, self._at_s = at_ms, now_s
            if threading.get_ident() == self._pacer:
                self._paced_ms = at_ms
            return int(at_ms)

    def hurry(self, until_ms: int) -> None:
        now_ms = self.now_ms()
        with self._lock:
            if now_ms < until_ms:
                self._until_ms, self.rate = float(until_ms), PARKED_RATE

    def walk(self) -> None:
        self.now_ms()
        with self._lock:
            self._until_ms, self.rate, self._paced_ms = None, self.awake_rate, self._at_ms


class Later(Guise):
    """A car whose time began at ``base_ms`` of the clock's."""

    def __init__(self, car: Car, base_ms: int) -> None:
        super().__init__(car)
        self._base_ms = base_ms

    def advance(self, to_ms: int) -> None:
        super().advance(to_ms - self._base_ms)


@dataclass
class Week:
    """One recorder's week. Times of ``sent`` and ``statuses`` count from its beginning."""

    driven: list[Driven]
    clock: WeekClock
    base_ms: int
    sent: list[tuple[int, str]] = field(default_factory=list)
    statuses: list[SourceStatus] = field(default_factory=list)
    over: threading.Event = field(default_factory=threading.Event)

    def car(self) -> Later:
        return Later(ReplayedCar(self.driven), self.base_ms)

    def tapped(self, text: str) -> None:
        self.sent.append((self.clock.now_ms() - self.base_ms, text))

    def heard(self, event: SourceEvent) -> None:
        """Hurry while the key is off."""
        if not isinstance(event, SourceStatus):
            return
        self.statuses.append(event)
        if event.state is SourceState.KEY_OFF:
            now_ms = event.t_ms - self.base_ms
            starts = [trip.start_ms for trip in self.driven if trip.start_ms > now_ms]
            until_ms = starts[0] - BEFORE_MS if starts else WEEK_MS
            self.clock.hurry(self.base_ms + until_ms)
            if not starts:
                self.over.set()
        elif event.state is SourceState.CONNECTING:
            self.clock.walk()

    def key_on(self, t_ms: int) -> bool:
        for trip in self.driven:
            at = (t_ms - trip.start_ms) // KEPT_MS
            if 0 <= at < len(trip.key_on):
                return bool(trip.key_on[at])
        return False

    def off_for_ms(self, t_ms: int) -> int:
        """How long the key has been off, since the week began where it was not on before."""
        ended = [trip.key_off_ms for trip in self.driven if trip.key_off_ms <= t_ms]
        return t_ms - (ended[-1] if ended else 0)


class Told:
    """A source whose events a week hears as well."""

    def __init__(self, source: Source, week: Week) -> None:
        self._source, self._week = source, week

    def run(self, emit: Callable[[SourceEvent], None], stop: threading.Event) -> None:
        def both(event: SourceEvent) -> None:
            emit(event)
            self._week.heard(event)

        self._week.clock.pace()
        self._source.run(both, stop)
