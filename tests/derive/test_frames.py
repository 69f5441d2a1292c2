"""Frames: what a value is when readings come at their own pace, and when it is not known."""

from __future__ import annotations

import numpy as np

from sootsayer.derive.frames import BLOCK_FRAMES, Framer
from sootsayer.derive.quantities import Reader
from sootsayer.model import Batch, Scaling, Series
from sootsayer.vehicle import Vehicle

PLAIN = Scaling("plain", 1.0, 0.0, "")


def series(name: str, t_ms: list[int], raw: list[int]) -> Series:
    return Series(name, PLAIN, np.array(t_ms, dtype=np.int64), np.array(raw, dtype=np.int64))


def blocks(*parts: Series, upto_ms: int):
    return list(Framer().feed(Batch(upto_ms, parts)))


def test_a_frame_is_the_mean_of_what_fell_into_it():
    block = blocks(series("map", [100, 300, 500, 501], [10, 20, 30, 99]), upto_ms=10_000)[0]
    assert block.column("map")[:2].tolist() == [20.0, 99.0]


def test_a_frame_is_named_by_its_end():
    """Intervals are start < t <= end: a reading at exactly 500 ms belongs to the first frame."""
    block = blocks(series("map", [500], [7]), upto_ms=10_000)[0]
    assert block.column("map")[0] == 7


def test_a_value_is_held_twice_its_own_period_then_unknown():
    t_ms = list(range(1000, 5001, 1000))
    column = blocks(series("ect", t_ms, [90] * 5), upto_ms=10_000)[0].column("ect")
    known = np.flatnonzero(~np.isnan(column))
    assert known[0] == 1  # nothing before the first reading
    assert known[-1] == 13  # the last reading at 5.0 s holds until 7.0 s


def test_an_absent_channel_is_unknown_not_zero():
    block = blocks(series("map", [500], [7]), upto_ms=10_000)[0]
    assert np.isnan(block.column("maf")).all()


def test_weeks_of_parking_cost_nothing():
    week_ms = 7 * 86_400_000
    done = blocks(series("rpm", [500, week_ms], [800, 800]), upto_ms=week_ms + 10_000)
    assert len(done) < 12
    assert [block.contiguous for block in done].count(False) == 2  # the first, and after parking
    assert len(done[0].column("rpm")) == BLOCK_FRAMES


def test_late_readings_are_counted_not_used():
    framer = Framer()
    list(framer.feed(Batch(20_000, (series("rpm", [500, 15_000], [1, 2]),))))
    list(framer.feed(Batch(30_000, (series("rpm", [700, 25_000], [3, 4]),))))
    assert framer.late == 1


def test_manifold_pressure_of_the_finer_kind_serves_as_well():
    """Some cars give pressure only by PID 87, in 0.03125 kPa."""
    block = blocks(series("map_a", [500], [60]), series("rpm", [500], [800]), upto_ms=10_000)[0]
    assert Reader(Vehicle.unknown()).read(block).map[0] == 60
