from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from sootsayer.model import (
    Alert,
    Batch,
    Changes,
    CodeSeen,
    CodeStatus,
    Episode,
    Mark,
    Scaling,
    Series,
)  # fmt: skip
from sootsayer.store.archive import Archive
from sootsayer.store.device_key import DeviceKey
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.retention import Policy, Spans
from sootsayer.store.verify import verify

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
START = 1_764_000_000_000 // DAY * DAY
RPM = Scaling("rpm_quarter", 0.25, 0.0, "rpm")
FREE = 1 << 40
POLICY = Policy(full_days=3, around_days=8, around_s=300, most_mb=0, least_free_mb=100)
DAYS = 10


def hour_of_day(day: int) -> Batch:
    """One reading a second from 7:00 to 8:00."""
    t_ms = START + day * DAY + 7 * HOUR + np.arange(1_000, HOUR + 1, 1_000)
    return Batch(int(t_ms[-1]), (Series("rpm", RPM, t_ms, t_ms // 1000 % 500),))


@pytest.fixture
def archive(recorded: None, path: Path) -> Iterator[Archive]:
    opened = Archive.open(path, DeviceKey.beside(path))
    yield opened
    opened.close()


@pytest.fixture
def recorded(path: Path, alert: Callable[..., Alert]) -> None:
    """Ten days; on day 1 an alert at 7:15, on day 2 a mark at 7:15, on day 3 a code at 7:15."""
    opened = Archive.open(path, DeviceKey.beside(path))
    at_ms = [START + day * DAY + 7 * HOUR + 15 * MINUTE for day in range(DAYS)]
    for day in range(DAYS):
        batch = hour_of_day(day)
        if day == 3:
            code = CodeSeen(at_ms[3], "7E8", "P0401", CodeStatus.PENDING)
            batch = Batch(batch.upto_ms, batch.series, (code,))
        opened.append(batch)
        opened.commit()
    opened.apply(
        Changes(
            alerts=(alert(at_ms[1], raised_ms=at_ms[1], last_ms=at_ms[1]),),
            episodes=(Episode("F1", at_ms[1], at_ms[1], True, None, ""),),
        )
    )
    opened.mark(Mark(at_ms[2], "jolt", "driver"))
    opened.append(Batch(START + DAYS * DAY))
    opened.commit()
    opened.close()


def settle(archive: Archive, policy: Policy, now_day: float, free: int = FREE) -> list[str]:
    """Call until nothing more goes; the reasons given."""
    reasons = []
    for _ in range(500):
        tidied = archive.tidy(policy, START + round(now_day * DAY), free)
        if not tidied.why:
            return reasons
        reasons.append(tidied.why)
    raise AssertionError("does not end")


def minutes_left(path: Path) -> dict[int, int]:
    """day → minutes at full rate"""
    with ArchiveReader(path) as reader:
        return {
            day: sum(len(s.t_ms) for s in reader.series("rpm", START + day * DAY,
                     START + (day + 1) * DAY)) // 60
            for day in range(DAYS)
        }  # fmt: skip


def level_hours(path: Path) -> list[int]:
    connection = sqlite3.connect(path)
    found = connection.execute("SELECT start_ms FROM level10 ORDER BY start_ms").fetchall()
    connection.close()
    return [(start_ms - START) // DAY for (start_ms,) in found]


def test_young_readings_stay(archive: Archive, path: Path) -> None:
    assert settle(archive, POLICY, 2.9) == []
    assert set(minutes_left(path).values()) == {60}


def test_in_the_second_stage_full_rate_stays_around_what_matters(
    archive: Archive, path: Path
) -> None:
    settle(archive, POLICY, 6.9)  # days 0 to 3 are older than three days; none older than eight
    left = minutes_left(path)
    # 300 s around 7:15 lie in the chunk from 7:10 to 7:20: ten minutes of each.
    assert left == {0: 0, 1: 10, 2: 10, 3: 10} | dict.fromkeys(range(4, DAYS), 60)
    assert level_hours(path) == list(range(DAYS))
    with ArchiveReader(path) as reader:
        wide = reader.envelope("rpm", START, START + 10 * DAY, 200)
        assert np.nansum(wide.count) == 10 * 3_600  # the level still tells of every reading
        assert reader.channels()[0].samples == sum(left.values()) * 60
        assert len(reader.alerts()) == len(reader.marks()) == len(reader.codes()) == 1


def test_in_the_third_stage_only_alerts_are_left(archive: Archive, path: Path) -> None:
    settle(archive, POLICY, 10.5)
    # Days 0 to 2 are older than eight days, days 0 to 7 older than three.
    assert minutes_left(path) == {1: 10, 3: 10} | dict.fromkeys([0, 2, 4, 5, 6, 7], 0) | {
        8: 60, 9: 60,
    }  # fmt: skip
    assert level_hours(path) == [1, *range(3, DAYS)]


def test_what_went_is_in_the_chain_and_the_chain_is_whole(archive: Archive, path: Path) -> None:
    settle(archive, POLICY, 6.9)
    found = verify(path)
    assert found.broken == ""
    assert sum(removal.samples for removal in found.removals) == 60 * (60 + 50 + 50 + 50)
    assert {removal.why for removal in found.removals} == {"older than 3 days"}
    connection = sqlite3.connect(path)  # a removal that is not in the chain is found
    connection.execute("DELETE FROM chunk WHERE id = (SELECT max(id) FROM chunk)")
    connection.commit()
    connection.close()
    assert "nothing says why" in verify(path).broken


def test_what_a_pack_refers_to_is_never_removed(archive: Archive, path: Path) -> None:
    held = START + 7 * HOUR + 40 * MINUTE
    archive.hold(held, held + 1_000, "pack of the first day")
    reasons = settle(archive, POLICY, 400, free=0)
    assert "room was short" not in reasons[:3]
    assert minutes_left(path) == {0: 10} | dict.fromkeys(range(1, DAYS), 0)
    assert archive.tidy(POLICY, START + 400 * DAY, 0).stuck


def test_when_room_is_short_the_oldest_goes_first_and_the_last_day_never(
    archive: Archive, path: Path
) -> None:
    first = archive.tidy(POLICY, START + round(2.9 * DAY), 0)
    assert (first.why, first.short) == ("room was short", True)
    left = minutes_left(path)
    assert left[0] == 0
    assert left[1] >= 10
    settle(archive, POLICY, 9.99, free=0)
    assert minutes_left(path)[9] == 60


def test_a_limit_of_its_own_size_counts_too(archive: Archive) -> None:
    small = Policy(3_000, 6_000, 300, most_mb=0.01, least_free_mb=0)
    assert archive.tidy(small, START + 10 * DAY, FREE).why == "room was short"
    large = Policy(3_000, 6_000, 300, most_mb=50, least_free_mb=0)
    assert archive.tidy(large, START + 10 * DAY, FREE).why == ""


def test_the_file_becomes_smaller_when_the_disk_is_full(recorded: None, path: Path) -> None:
    before = path.stat().st_size
    archive = Archive.open(path)
    settle(archive, POLICY, 400, free=0)
    for _ in range(20):
        archive.tidy(POLICY, START + 400 * DAY, 0)
    archive.close()
    assert path.stat().st_size < before  # most of these few pages are the tables themselves
    with ArchiveReader(path) as reader:
        assert reader.check() == []


def test_late_readings_do_not_spoil_the_level_of_a_thinned_hour(
    archive: Archive, path: Path
) -> None:
    settle(archive, POLICY, 6.9)
    late = Series("rpm", RPM, np.array([START + 7 * HOUR + 5]), np.array([1]))
    archive.append(Batch(START + 12 * DAY, (late,)))
    archive.commit()
    with ArchiveReader(path) as reader:
        wide = reader.envelope("rpm", START, START + DAY, 100)
    assert np.nansum(wide.count) == 3_600


def test_spans_touch_as_intervals_do() -> None:
    spans = Spans([(10, 20), (12, 15), (40, 50)])
    assert [spans.touch(*span) for span in ((0, 10), (0, 11), (19, 30), (20, 30), (30, 60))] == [
        False, True, True, False, True,
    ]  # fmt: skip
    assert not Spans([]).touch(0, 100)
