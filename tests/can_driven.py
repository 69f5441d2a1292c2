"""The demo car on a spoilt bus: driven once, then answering at real time, so that what it was at
any moment is known and every reading can be held against it."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache

import numpy as np

from sootsayer.demo.build import Make, individual
from sootsayer.demo.cars import CarSpec
from sootsayer.demo.control_unit import ENGINE, ControlUnit
from sootsayer.demo.drive import RoadBuilder
from sootsayer.demo.journeys import KEPT_MS, Driven, Journey, Stored, drive, status_columns
from sootsayer.demo.monitor import Memory
from sootsayer.demo.replay import ReplayedCar
from sootsayer.model import CodeSeen, CodesRead, Reading, SourceEvent

SEED = 17
DRIVEN_S = 150  # longer than any test asks
LEAD_MS = 12_000  # the engine has started and the car moves off
CODE = "P0401"


@cache
def driven() -> tuple[Driven, tuple[Stored, ...]]:
    """One trip in town with a stored code, and what the control unit remembers through it."""
    draw = np.random.default_rng(SEED)
    builder = RoadBuilder(draw)
    builder.start_engine()
    for speed_kmh in (50, 30, 60, 20, 55, 40):
        builder.go(speed_kmh, DRIVEN_S / 10)
        builder.slow_to(5.0, 1.5)
    spec = CarSpec(individual(Make(), SEED), SEED, start_ms=0, coolant_c=80.0)
    (trip,) = drive([Journey(spec, builder.road())])
    return trip, (Stored(0, Memory().failed(CODE)),)


class DrivenCar(ReplayedCar):
    """With one to four control units; it moves off when the clock shows ``base_ms``."""

    def __init__(self, units: int, base_ms: int) -> None:
        trip, stored = driven()
        super().__init__([trip], [stored])
        more = [
            ControlUnit(ENGINE + n, frozenset({0x01, 0x04, 0x05, 0x0B, 0x0D}), f"UNIT-{n}")
            for n in (2, 3)
        ]
        self.units = (*self.units, *more)[:units]
        self._base_ms = base_ms

    def advance(self, to_ms: int) -> None:
        super().advance(to_ms - self._base_ms + LEAD_MS)


class Truth:
    """What the car was at any time, for log times that count from ``base_ms``."""

    def __init__(self, base_ms: int) -> None:
        from sootsayer.demo.cars import CHANNELS

        trip, stored = driven()
        self._base_ms = base_ms - LEAD_MS
        self._columns = dict(zip(CHANNELS, trip.raw, strict=True))
        self._columns |= status_columns(trip, stored)

    def held(self, channel: str, raw: int, t_ms: int, within_ms: int) -> bool | None:
        """Whether the car was so at a moment within so much of ``t_ms``; None: not known here."""
        column = self._columns.get(channel)
        if column is None:
            return None
        first = max(0, (t_ms - within_ms - self._base_ms) // KEPT_MS)
        last = (t_ms + within_ms - self._base_ms) // KEPT_MS
        return bool((column[first : last + 1] == raw).any())

    def wrong(self, events: Iterable[SourceEvent], within_ms: int) -> tuple[int, list[object]]:
        """How many readings could be held against the car, and those that it never was."""
        checked, wrong = 0, list[object]()
        for event in events:
            if isinstance(event, CodeSeen) and event.code != CODE:
                wrong.append(event)
            if isinstance(event, CodesRead) and event.count > 1:
                wrong.append(event)
            if isinstance(event, Reading):
                for sample in event.samples:
                    channel = sample.channel.partition("@")[0]
                    right = self.held(channel, sample.raw, event.t_ms, within_ms)
                    if event.unit == "7E9" and channel.startswith("monitor_"):
                        right = None  # the gearbox has a readiness of its own
                    checked += right is not None
                    if right is False:
                        wrong.append((event.t_ms, event.unit, sample.channel, sample.raw))
        return checked, wrong
