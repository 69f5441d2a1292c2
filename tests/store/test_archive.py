from __future__ import annotations

import math
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sootsayer.model import (
    Alert,
    AlertState,
    Anchor,
    Batch,
    Changes,
    CodeSeen,
    CodesRead,
    CodeStatus,
    Episode,
    Gap,
    Identity,
    Mark,
    Opening,
    Scaling,
    Series,
    SootsayerError,
    SourceState,
    SourceStatus,
    Trip,
)
from sootsayer.store import schema
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.ring import RingFile

Drive = Callable[..., Iterator[Batch]]
Make = Callable[..., Alert]
MINUTE = 60_000
START = 1_764_000_000_000 // 3_600_000 * 3_600_000


def table(path: Path, sql: str) -> list[tuple[object, ...]]:
    connection = sqlite3.connect(path)
    try:
        return connection.execute(sql).fetchall()
    finally:
        connection.close()


def record(archive: Archive, batches: Iterator[Batch], every: int = 4) -> None:
    for number, batch in enumerate(batches, 1):
        archive.append(batch)
        if number % every == 0:
            archive.commit()


def rpm(path: Path) -> Series:
    with ArchiveReader(path) as reader:
        (found,) = reader.series("rpm", 0, 1 << 60)
    return found


# ---------------------------------------------------------------- readings become durable


def test_committed_readings_are_seen_at_once(archive: Archive, path: Path, drive: Drive) -> None:
    record(archive, drive(6))
    assert rpm(path).t_ms.tolist() == list(range(START + 100, START + 6001, 100))


def test_what_is_not_committed_is_not_seen(archive: Archive, path: Path, drive: Drive) -> None:
    record(archive, drive(2))
    for batch in drive(1, start_ms=START + 2000):
        archive.append(batch)
    assert len(rpm(path).t_ms) == 20
    assert archive.waiting_samples == 20


def test_ten_minutes_that_are_over_leave_the_ring_as_one_chunk(
    archive: Archive, path: Path, drive: Drive
) -> None:
    record(archive, drive(599))
    assert table(path, "SELECT count(*) FROM chunk") == [(0,)]
    assert rpm(path).t_ms.tolist() == list(range(START + 100, START + 598_001, 100))
    record(archive, drive(4, start_ms=START + 599_000))
    assert table(path, "SELECT start_ms, end_ms, samples FROM chunk") == [
        (START, START + 10 * MINUTE, 12_000)
    ]
    assert rpm(path).t_ms.tolist() == list(range(START + 100, START + 603_001, 100))


def test_more_than_memory_should_hold_becomes_chunks_before_its_time(
    archive: Archive, path: Path, drive: Drive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sootsayer.store.unchunked.FLUSH_MAX_SAMPLES", 3_000)
    record(archive, drive(599))
    assert table(path, "SELECT count(*) > 2, sum(samples) > 8000 FROM chunk") == [(1, 1)]
    record(archive, drive(4, start_ms=START + 599_000))
    assert table(path, "SELECT start_ms, end_ms, samples FROM chunk") == [
        (START, START + 10 * MINUTE, 12_000)
    ]
    assert rpm(path).t_ms.tolist() == list(range(START + 100, START + 603_001, 100))


def test_a_ring_that_is_nearly_full_is_emptied_into_chunks(
    archive: Archive, path: Path, drive: Drive
) -> None:
    record(archive, drive(300), every=1)  # six hundred commits in a ring of 512 blocks
    assert table(path, "SELECT sum(samples) FROM chunk") == [(3_600,)]
    assert rpm(path).t_ms.tolist() == list(range(START + 100, START + 300_001, 100))


def test_without_a_ring_every_commit_makes_chunks(tmp_path: Path, path: Path, drive: Drive) -> None:
    connection = schema.open_writer(path)
    archive = Archive(path, connection, (tmp_path / "lock").open("w"), open_ring=_no_ring)
    record(archive, drive(605))
    assert rpm(path).t_ms.tolist() == list(range(START + 100, START + 604_001, 100))
    assert table(path, "SELECT end_ms - start_ms FROM chunk ORDER BY id")[0] == (600_000,)


def test_a_ring_that_cannot_be_opened_is_left_and_told(path: Path, drive: Drive) -> None:
    with Archive.open(path) as archive:
        record(archive, drive(2))
    ring = Path(f"{path}-ring")
    ring.mkdir()
    with Archive.open(path) as archive:
        record(archive, drive(10, start_ms=START + 2_000))
    assert ring.is_dir()
    assert rpm(path).t_ms.tolist() == list(range(START + 100, START + 12_001, 100))
    with ArchiveReader(path) as reader:
        assert "the ring cannot be read" in reader.gaps()[0].reason


def _no_ring(_: Path) -> RingFile:
    raise OSError(28, "No space left on device")


def test_closing_puts_everything_into_chunks(path: Path, drive: Drive) -> None:
    with Archive.open(path) as archive:
        record(archive, drive(95))
    assert table(path, "SELECT samples, end_ms - start_ms FROM chunk ORDER BY start_ms") == [
        (1200, MINUTE),
        (700, 35_000),
    ]
    assert not Path(f"{path}-ring").exists()
    with Archive.open(path) as archive:
        record(archive, drive(25, start_ms=START + 95_000))
    assert rpm(path).t_ms.tolist() == list(range(START + 100, START + 120_001, 100))


def test_cutting_the_feed_differently_stores_the_same(tmp_path: Path, drive: Drive) -> None:
    stored = []
    for number, (step_ms, every) in enumerate([(100, 7), (500, 4), (20_000, 1), (800_000, 1)]):
        path = tmp_path / f"{number}.db"
        with Archive.open(path) as archive:
            record(archive, drive(4000, step_ms), every)
        stored.append(
            table(path, "SELECT start_ms, end_ms, samples, crc, body FROM chunk ORDER BY 1")
        )
        stored[-1] += table(path, "SELECT channel, start_ms, slots, body FROM level10 ORDER BY 1")
    assert len(stored[0]) == 6 + 7 + 2  # tens of minutes, minutes, levels
    assert all(other == stored[0] for other in stored)


def test_late_readings_are_kept_in_their_place(
    archive: Archive, path: Path, drive: Drive, series: Callable[..., Series]
) -> None:
    record(archive, drive(3_700))
    spike = series("rpm", [START + 5_050], [65_535])
    archive.append(Batch(START + 3_700_500, (spike,)))
    archive.commit()
    found = rpm(path)
    assert found.raw[found.t_ms == START + 5_050].tolist() == [65_535]
    assert (np.diff(found.t_ms) > 0).all()
    with ArchiveReader(path) as reader:
        wide = reader.envelope("rpm", START, START + 3_600_000, 10)
        assert wide.high[0] == 65_535 * 0.25  # the level was made anew


def test_readings_out_of_order_are_sorted_and_equal_stamps_keep_their_order(
    archive: Archive, path: Path, series: Callable[..., Series]
) -> None:
    archive.append(Batch(START + 500, (series("rpm", [START + 30, START + 10], [3, 1]),)))
    archive.append(Batch(START + 500, (series("rpm", [START + 30], [4]),)))
    archive.commit()
    assert rpm(path).raw.tolist() == [1, 3, 4]


def test_one_channel_under_two_scalings_is_two_series(
    archive: Archive, path: Path, series: Callable[..., Series]
) -> None:
    finer = Scaling("rpm_eighth", 0.125, 0.0, "rpm")
    archive.append(
        Batch(
            START + 500,
            (series("rpm", [START + 1], [8]), series("rpm", [START + 2], [8], finer)),
        )
    )
    archive.commit()
    with ArchiveReader(path) as reader:
        first, second = reader.series("rpm", START, START + 500)
        assert [first.scaling.name, second.scaling] == ["rpm_quarter", finer]
        assert [first.values()[0], second.values()[0]] == [2.0, 1.0]
        assert [row.samples for row in reader.channels()] == [1, 1]


def test_nothing_to_do_writes_nothing(archive: Archive, path: Path, drive: Drive) -> None:
    record(archive, drive(2))
    with ArchiveReader(path) as reader:
        before = reader.data_version()
        archive.append(Batch(START + 9_000))
        archive.commit()
        assert reader.data_version() == before
        record(archive, drive(2, start_ms=START + 9_000))
        assert reader.data_version() != before


def test_a_capture_may_begin_at_nought(path: Path, drive: Drive) -> None:
    """Stamps of a bench capture: 0 and the minute before it are times like any other."""
    with Archive.open(path) as archive:
        t_ms = np.arange(-90_000, 90_001, 500)
        unit = Scaling("counts", 1.0, 0.0, "")
        for upto_ms in range(-80_000, 90_001, 10_000):
            inside = (t_ms > upto_ms - 10_000) & (t_ms <= upto_ms)
            archive.append(Batch(upto_ms, (Series("rpm", unit, t_ms[inside], t_ms[inside]),)))
            archive.commit()
    with ArchiveReader(path) as reader:
        (found,) = reader.series("rpm", -100_000, 100_000)
        assert found.t_ms.tolist() == found.raw.tolist() == t_ms[1:].tolist()
        assert sum(batch.samples for batch in reader.batches()) == len(t_ms) - 1


# ---------------------------------------------------------------- findings


def test_an_alert_keeps_its_number(archive: Archive, path: Path, alert: Make) -> None:
    archive.apply(Changes(alerts=(alert(START), alert(START + 5))))
    archive.commit()
    cleared = alert(START, 7, state=AlertState.CLEARED, cleared_ms=START + 9_000)
    for _ in range(3):  # as after a restart that judges the same stretch again
        archive.apply(Changes(alerts=(cleared,)))
        archive.commit()
    with ArchiveReader(path) as reader:
        rows = {row.id: row.alert for row in reader.alerts()}
        assert rows == {1: cleared, 2: alert(START + 5)}
        assert reader.alert(1) and not reader.alert(3)
        assert [row.id for row in reader.alerts(state=AlertState.OPEN)] == [2]


def test_findings_judged_again_change_nothing(archive: Archive, path: Path) -> None:
    changes = Changes(
        episodes=(Episode("F1", START, START + 8_000, True, None, "no gas"),),
        trips=(Trip(1, START, START + 9_000, True, 8.5, 0.1, 1),),
        openings=(
            Opening(
                1, 1, START, START + 8_000, 30.0, None, 0.1, 0.2, 3.0, *[None] * 5, {"ect": 84.0}
            ),
        ),
    )
    for _ in range(2):
        archive.apply(changes)
        archive.commit()
    with ArchiveReader(path) as reader:
        assert tuple(reader.episodes("F1")) == changes.episodes
        assert tuple(reader.trips()) == changes.trips
        assert tuple(reader.openings()) == changes.openings
        assert reader.episodes("F1", START + 8_000) == []
        assert reader.openings(None, START) == []


def test_numbers_of_the_array_library_and_not_a_number_are_taken(
    archive: Archive, path: Path, alert: Make
) -> None:
    odd = alert(START, np.int64(4), measure=math.nan, eligible_s=np.float64(2.0))
    archive.apply(Changes(alerts=(odd,)))
    archive.commit()
    with ArchiveReader(path) as reader:
        kept = reader.alerts()[0].alert
    assert math.isnan(kept.measure)
    assert replace(kept, measure=0.0) == replace(odd, measure=0.0)


def test_events_marks_and_gaps_are_kept(archive: Archive, path: Path) -> None:
    events = (
        CodesRead(START + 9, "7E8", CodeStatus.PENDING, 1),
        CodeSeen(START + 9, "7E8", "P0401", CodeStatus.PENDING),
        Identity(START + 10, "7E8", "vin", "TESTVIN0000000042"),
        SourceStatus(START + 11, "adapter", SourceState.SILENT, "no answer", {"timeouts": 3}),
        CodeSeen(START + 800, "7E8", "P0401", CodeStatus.PENDING),
    )
    archive.append(Batch(START + 1000, (), events))
    for _ in range(2):
        archive.mark(Mark(START + 12, "jolt at the lights", "driver"))
        archive.gap(Gap(START, START + 9, "unplugged"))
        archive.gap(Gap(START, START + 50, "unplugged"))
        archive.commit()
    with ArchiveReader(path) as reader:
        assert [batch.events for batch in reader.batches()] == [events]
        assert reader.marks() == [Mark(START + 12, "jolt at the lights", "driver")]
        assert reader.gaps() == [Gap(START, START + 50, "unplugged")]
        (code,) = reader.codes()
        assert (code.code, code.first_ms, code.last_ms, code.seen) == (
            "P0401",
            START + 9,
            START + 800,
            2,
        )
        assert reader.identities() == [events[2]]
        assert reader.statuses() == [events[3]]
        assert reader.code_looks() == [events[0]]


def test_states_are_kept_with_the_readings(archive: Archive, path: Path) -> None:
    archive.put_state("pipeline", {"done_ms": START, "sums": [1, 2.5, None]})
    archive.put_state("pipeline", {"done_ms": START + 1})
    archive.commit()
    with ArchiveReader(path) as reader:
        assert reader.state("pipeline") == {"done_ms": START + 1}
        assert reader.state("nothing") is None


# ---------------------------------------------------------------- boots and clocks


def test_the_first_boot_gets_the_wall_clock(archive: Archive) -> None:
    assert archive.begin_boot("a", 5_000, START, True) == START - 5_000


@pytest.mark.parametrize("wall_ms", [0, START - 86_400_000, START + 2_000])
def test_log_time_ascends_whatever_the_clock_says_at_the_next_boot(
    path: Path, drive: Drive, wall_ms: int
) -> None:
    """Stored up to START + 2 s; the clock then says 1970, yesterday, or the very same moment."""
    with Archive.open(path) as archive:
        archive.begin_boot("a", 5_000, START, True)
        record(archive, drive(2))
    with Archive.open(path) as archive:
        offset_ms = archive.begin_boot("b", 700, wall_ms, False)
        assert 700 + offset_ms == START + 2_001
    with ArchiveReader(path) as reader:
        # It cannot have begun before the boot before it ended: 1970 and yesterday are moved there.
        assert reader.wall_ms(START + 2_101) == (max(wall_ms, START + 2_000) + 100, False)
        assert reader.wall_times().bounds_ms(START + 2_101) == (START + 2_100, None)
        assert reader.wall_ms(START) == (START, True)


def test_a_later_clock_is_believed(path: Path, drive: Drive) -> None:
    with Archive.open(path) as archive:
        archive.begin_boot("a", 5_000, START, True)
        record(archive, drive(2))
        assert archive.begin_boot("b", 700, START + 86_400_000, False) == START + 86_400_000 - 700


def test_a_restart_in_the_same_boot_keeps_the_offset(path: Path, drive: Drive) -> None:
    with Archive.open(path) as archive:
        offset_ms = archive.begin_boot("a", 5_000, START, True)
        record(archive, drive(2))
    with Archive.open(path) as archive:
        stepped_ms = START + 99_999_000  # the wall clock stepped meanwhile
        assert archive.begin_boot("a", 9_000, stepped_ms, True) == offset_ms
    with ArchiveReader(path) as reader:
        assert [boot.boot_id for boot in reader.boots()] == ["a"]
        assert reader.wall_ms(START) == (stepped_ms - 4_000, True)


def test_ascending_matters_more_than_the_same_offset(path: Path, drive: Drive) -> None:
    """A clock that ran faster than real time has stored stamps ahead of this boot's offset."""
    with Archive.open(path) as archive:
        archive.begin_boot("a", 5_000, START, True)
        record(archive, drive(60))
        assert archive.begin_boot("a", 6_000, START + 1_000, True) + 6_000 == START + 60_001


def test_marks_and_silence_count_for_ascending(path: Path) -> None:
    with Archive.open(path) as archive:
        archive.begin_boot("a", 0, START, True)
        archive.mark(Mark(START + 70_000, "late remark", "owner"))
    with Archive.open(path) as archive:
        assert archive.begin_boot("b", 0, START, True) == START + 70_001
        archive.append(Batch(START + 90_000))
        assert archive.begin_boot("c", 0, START, True) == START + 90_001


def test_a_trusted_anchor_of_later_corrects_the_boot(archive: Archive, path: Path) -> None:
    archive.begin_boot("a", 0, 1_000, False)
    archive.anchor(Anchor(61_000, START, True, "phone"))
    archive.commit()
    with ArchiveReader(path) as reader:
        assert reader.wall_ms(1_000) == (START - 60_000, True)
        assert [anchor.source for anchor in reader.anchors()] == ["system", "phone"]


# ---------------------------------------------------------------- trouble


def test_a_disk_that_refuses_loses_nothing(path: Path, drive: Drive, alert: Make) -> None:
    archive = Archive.open(path)
    record(archive, drive(58))
    pages = archive._connection.execute("PRAGMA page_count").fetchone()[0]
    archive._connection.execute(f"PRAGMA max_page_count = {pages}")  # SQLite: "disk is full"
    archive.put_state("large", os.urandom(50_000).hex())
    archive.apply(Changes(alerts=(alert(START),)))
    for batch in drive(4, start_ms=START + 58_000):
        archive.append(batch)
    for _ in range(2):
        with pytest.raises(SootsayerError, match=r"archive\.db: cannot write .*full"):
            archive.commit()
    assert table(path, "SELECT count(*) FROM alert") == [(0,)]
    archive._connection.execute("PRAGMA max_page_count = 100000")
    archive.commit()
    assert rpm(path).t_ms.tolist() == list(range(START + 100, START + 62_001, 100))
    assert table(path, "SELECT count(*) FROM alert") == [(1,)]
    archive.close()


class Full:
    """A ring file on a disk that refuses."""

    def write(self, packed: bytes, at: int) -> None:
        raise OSError(28, "No space left on device")

    def close(self) -> None:
        pass


def test_a_disk_that_keeps_refusing_costs_old_readings_and_says_so(
    path: Path, drive: Drive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sootsayer.store.unchunked.BUFFER_MAX_SAMPLES", 1_000)
    archive = Archive.open(path)
    record(archive, drive(10))
    archive._connection.execute("PRAGMA query_only = 1")
    archive._unchunked.ring._file = Full()
    for batch in drive(90, start_ms=START + 10_000):
        archive.append(batch)
        with pytest.raises(SootsayerError):
            archive.commit()
        assert archive.waiting_samples <= 1_000
    archive._connection.execute("PRAGMA query_only = 0")
    archive.close()
    with ArchiveReader(path) as reader:
        kept = reader.series("rpm", 0, 1 << 60)[0].t_ms
        gaps = reader.gaps()
        assert reader.channels()[0].samples == len(kept)
    dropped = set(range(START + 100, START + 100_001, 100)) - set(kept.tolist())
    assert dropped
    assert all(any(gap.start_ms < t <= gap.end_ms for gap in gaps) for t in dropped)
    assert not any(gap.start_ms < t <= gap.end_ms for gap in gaps for t in kept.tolist())


def test_the_tail_of_a_recorder_that_was_cut_off_is_taken_up(
    tmp_path: Path, archive: Archive, path: Path, drive: Drive
) -> None:
    """A copy of the files while the writer is at work is what a power cut leaves."""
    record(archive, drive(30))
    cut_off = tmp_path / "cut.db"
    for ending in ("", "-wal", "-ring"):
        shutil.copy(f"{path}{ending}", f"{cut_off}{ending}")
    with Archive.open(cut_off) as again:
        assert again.upto_ms == START + 30_000
        record(again, drive(40, start_ms=START + 30_000))
    assert rpm(cut_off).t_ms.tolist() == list(range(START + 100, START + 70_001, 100))


def test_damage_in_the_ring_costs_that_record_and_says_so(
    path: Path, drive: Drive, tmp_path: Path, archive: Archive
) -> None:
    record(archive, drive(6))
    cut_off = tmp_path / "cut.db"
    for ending in ("", "-wal", "-ring"):
        shutil.copy(f"{path}{ending}", f"{cut_off}{ending}")
    ring = Path(f"{cut_off}-ring")
    packed = bytearray(ring.read_bytes())
    packed[4096 + 700] ^= 4  # the second of three records
    ring.write_bytes(packed)
    with ArchiveReader(cut_off) as reader:
        assert [gap.reason for gap in reader.check()] == [
            "ring: 1 blocks were cut off while written, or damaged"
        ]
    Archive.open(cut_off).close()
    with ArchiveReader(cut_off) as reader:
        (gap,) = reader.gaps()
    assert gap.reason == "stored readings are damaged"
    kept = rpm(cut_off).t_ms.tolist()
    assert kept == [
        t for t in range(START + 100, START + 6_001, 100) if not gap.start_ms < t <= gap.end_ms
    ]
    assert len(kept) == 40


def test_the_log_stays_small_while_readers_read(archive: Archive, path: Path) -> None:
    wal = Path(f"{path}-wal")
    with ArchiveReader(path) as reader:
        for _ in range(400):
            archive.put_state("large", os.urandom(30_000).hex())
            archive.commit()
            assert reader.state("large") is not None
    assert wal.stat().st_size < 5_000_000  # 13 MB were written


def test_a_cursor_left_open_would_make_the_log_grow(archive: Archive, path: Path) -> None:
    """The control of the test before: it can fail."""
    archive.put_state("large", "")
    archive.commit()
    with ArchiveReader(path) as reader:
        connection = reader._connection()
        connection.execute("BEGIN")
        connection.execute("SELECT * FROM state").fetchone()
        for _ in range(400):
            archive.put_state("large", os.urandom(30_000).hex())
            archive.commit()
        connection.execute("ROLLBACK")
    assert Path(f"{path}-wal").stat().st_size > 10_000_000
