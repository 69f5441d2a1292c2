"""A warm car of the demo in town traffic that never ends."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from sootsayer.demo.build import Make, individual
from sootsayer.demo.cars import CarSpec
from sootsayer.demo.drive import Road, RoadBuilder
from sootsayer.demo.live import LiveCar
from sootsayer.demo.monitor import Memory


def town(seed: int) -> Iterator[Road]:
    """The engine starts, then a minute of town at a time."""
    draw = np.random.default_rng(seed)
    builder = RoadBuilder(draw)
    builder.start_engine()
    yield builder.road()
    while True:
        builder = RoadBuilder(draw)
        builder.town(1.0)
        yield builder.road()


def warm_car(
    roads: Iterator[Road], start_ms: int, make: Make | None = None, memory: Memory | None = None
) -> LiveCar:
    spec = CarSpec(individual(make or Make(), 5), 5, start_ms=start_ms, coolant_c=85.0)
    return LiveCar(spec, lambda: next(roads), memory)
