"""Thirty days of a car, the clock wrong, stepped and corrected, the key off and on, gaps between.

The computer's crystal is off by 50 millionths, now to one side, now to the other; some trips hear
the time twice.

Ascending times after correction, memory flat, the log bounded; the retention at work too.
"""

from __future__ import annotations

import random
import tracemalloc
from pathlib import Path

import numpy as np

from sootsayer.model import Anchor, Batch, Changes, Gap, Scaling, Series, Trip
from sootsayer.store.archive import Archive
from sootsayer.store.device_key import DeviceKey
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.retention import Policy
from sootsayer.store.verify import verify

DAYS = 30
DAY_MS, HOUR_MS, SECOND_MS = 86_400_000, 3_600_000, 1_000
TRUTH_MS = 1_792_540_800_000  # date -u -d 2026-10-21: summer time ends in Europe four days later
RPM = Scaling("rpm_quarter", 0.25, 0.0, "rpm")
MAP = Scaling("kpa", 1.0, 0.0, "kPa")
POLICY = Policy(full_days=12, around_days=20, around_s=300, most_mb=0, least_free_mb=0)
COMMIT_MS = 20_000
MEMORY_MAY_GROW_BYTES = 3_000_000
DRIFT = 50e-6
# Of what lies between two times heard nothing is off; a minute before the first may drift 3 ms.
OFF_MOST_MS = 5
# What bounds a boot that heard nothing is counted by its own crystal, and its neighbours'.
BOUNDS_OFF_MS = 200
LOG_MOST_BYTES = 8_000_000


class Car:
    """Boots by its key; what its clock says at a boot is seldom the truth."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rng = random.Random(30)
        self.trips = 0
        # log time of some readings → the true time, and by how much it may be missed
        self.true: dict[int, tuple[int, int]] = {}
        self.log_most_bytes = 0

    def drive(self, true_ms: int, minutes: int, corrected: bool) -> None:
        with Archive.open(self.path, DeviceKey(bytes(32))) as archive:
            said_ms = self.rng.choice(
                [0, 5_000, true_ms - HOUR_MS, true_ms - 40 * DAY_MS, true_ms, true_ms + HOUR_MS]
            )
            boottime_ms = self.rng.randrange(5_000, 40_000)
            boot = f"boot {true_ms}"
            offset_ms = archive.begin_boot(boot, boottime_ms, said_ms, trusted=False)
            first_ms = boottime_ms + offset_ms
            drift = self.rng.choice([DRIFT, -DRIFT])

            def true(t_ms: int) -> int:
                return true_ms + round((t_ms - first_ms) * (1 + drift))

            told_s = [60, 660] if self.rng.random() < 0.5 else [660]
            source = self.rng.choice(["ntp", "phone"])
            for at_ms in range(first_ms, first_ms + minutes * 60_000, COMMIT_MS):
                t_ms = np.arange(at_ms + 200, at_ms + COMMIT_MS + 1, 200)
                series = (
                    Series("rpm", RPM, t_ms, t_ms % 4_001),
                    Series("map", MAP, t_ms, t_ms % 97),
                )
                archive.append(Batch(at_ms + COMMIT_MS, series))
                archive.commit()
                if corrected and (at_ms - first_ms) // 1000 in told_s:
                    archive.anchor(Anchor(at_ms, true(at_ms), True, source))
                if at_ms == first_ms + 120_000:  # a step of the wall clock, not to be believed
                    archive.anchor(Anchor(at_ms, at_ms - 99 * DAY_MS, False, "system"))
                log = self.path.with_name(f"{self.path.name}-wal")
                self.log_most_bytes = max(self.log_most_bytes, log.stat().st_size)
            last_ms = first_ms + minutes * 60_000
            times_ms = [first_ms + 200, first_ms + 360_000, last_ms]
            off_ms = OFF_MOST_MS if len(told_s) == 2 else round(DRIFT * 660_000) + 1
            self.true |= {t_ms: (true(t_ms), off_ms) for t_ms in times_ms}
            self.trips += 1
            trip = Trip(self.trips, first_ms, last_ms, False, minutes * 60.0, 9.0, 0)
            archive.apply(Changes(trips=(trip,)))
            archive.gap(Gap(last_ms, last_ms + 1, "key off"))
            archive.tidy(POLICY, last_ms, 1 << 40)


def test_thirty_days(tmp_path: Path) -> None:
    car = Car(tmp_path / "archive.db")
    memory = []
    tracemalloc.start()
    for day in range(DAYS):
        for hour in (7, 17):
            # Four trips in five hear a time server or a phone.
            car.drive(TRUTH_MS + day * DAY_MS + hour * HOUR_MS, 12, corrected=(day + hour) % 5 != 0)
        memory.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert max(memory[5:]) - memory[4] < MEMORY_MAY_GROW_BYTES
    assert car.log_most_bytes < LOG_MOST_BYTES
    with ArchiveReader(car.path) as reader:
        check_time(reader, car)
        assert reader.check() == []
        assert len(reader.trips()) == 2 * DAYS
    found = verify(car.path)
    assert (found.broken, found.signed_entries) == ("", found.entries)


def check_time(reader: ArchiveReader, car: Car) -> None:
    times = reader.wall_times()
    walls = [times.wall_ms(t_ms)[0] for t_ms in sorted(car.true)]
    assert walls == sorted(walls)
    trusted = 0
    for t_ms, (true_ms, off_ms) in car.true.items():
        wall_ms, sure = times.wall_ms(t_ms)
        earliest_ms, latest_ms = times.bounds_ms(t_ms)
        trusted += sure
        if sure:
            assert abs(wall_ms - true_ms) <= off_ms
        assert earliest_ms is None or earliest_ms <= true_ms + BOUNDS_OFF_MS
        assert latest_ms is None or true_ms <= latest_ms + BOUNDS_OFF_MS
    assert trusted == sum((day + hour) % 5 != 0 for day in range(DAYS) for hour in (7, 17)) * 3
    (rpm,) = reader.series("rpm", 0, 1 << 60)
    assert (np.diff(rpm.t_ms) > 0).all()
    assert (rpm.raw == rpm.t_ms % 4_001).all()
