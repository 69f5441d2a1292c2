"""Archives of earlier formats, made here as the programs of their time made them."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pytest
from sqlite_utils import Database

from sootsayer.model import Batch, Gap, Scaling, Series
from sootsayer.store import rows
from sootsayer.store.archive import Archive
from sootsayer.store.chunk import Chunk, Column, encode
from sootsayer.store.migrations import MIGRATIONS
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.schema import APPLICATION_ID, NEW_FILE
from sootsayer.store.verify import verify

START = 1_764_000_000_000 // 3_600_000 * 3_600_000
RPM = Scaling("rpm_quarter", 0.25, 0.0, "rpm")


def column(start_ms: int, end_ms: int) -> Column:
    t_ms = np.arange(start_ms + 100, end_ms + 1, 100)
    return Column(1, t_ms, t_ms % 977)


def put(connection: sqlite3.Connection, table: str, chunk: Chunk) -> None:
    connection.execute(
        f"INSERT INTO {table} (start_ms, end_ms, samples, codec, crc, body) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        (chunk.start_ms, chunk.end_ms, chunk.samples, chunk.codec, chunk.crc, chunk.body),
    )


@pytest.fixture
def format_5(path: Path) -> Path:
    """Ten minutes joined, one minute, and a tail of three records, the second damaged; cut off."""
    connection = sqlite3.connect(path, isolation_level=None)
    for name, value in (NEW_FILE | {"journal_mode": "wal"}).items():
        connection.execute(f"PRAGMA {name} = {value}")
    connection.execute("BEGIN")
    for migration in MIGRATIONS[:5]:
        migration(Database(connection, execute_plugins=False))
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute("PRAGMA user_version = 5")
    connection.execute(
        "INSERT INTO channel VALUES (1, 'rpm', 'rpm_quarter', 0.25, 0, 'rpm', ?, ?, 6600)",
        (START + 100, START + 660_000),
    )
    for start_s, end_s in ((0, 600), (600, 660)):
        span_ms = START + start_s * 1000, START + end_s * 1000
        put(connection, "chunk", encode([column(*span_ms)], *span_ms))
    connection.execute("UPDATE chunk SET id = id * 7")  # minutes that were joined left holes
    for number in range(3):
        span_ms = START + 660_000 + number * 2_000, START + 662_000 + number * 2_000
        put(connection, "tail", encode([column(*span_ms)], *span_ms))
    connection.execute("UPDATE tail SET crc = crc + 1 WHERE id = 2")
    connection.execute("INSERT INTO state VALUES ('health', '{\"state\": \"reading\"}')")
    connection.execute("INSERT INTO mark VALUES (1, ?, 'jolt', 'driver')", (START + 5,))
    connection.execute("COMMIT")
    connection.close()
    return path


def test_an_older_archive_opens_with_all_that_was_in_it(format_5: Path) -> None:
    with Archive.open(format_5) as archive:
        assert archive.upto_ms == START + 666_000
        t_ms = np.arange(START + 667_100, START + 669_001, 100)
        archive.append(Batch(START + 669_000, (Series("rpm", RPM, t_ms, t_ms % 977),)))
    with ArchiveReader(format_5) as reader:
        (found,) = reader.series("rpm", 0, 1 << 60)
        assert found.t_ms.tolist() == [
            t
            for t in range(START + 100, START + 669_001, 100)
            if not START + 662_000 < t <= START + 664_000
            and not START + 666_000 < t <= START + 667_000
        ]
        assert (found.raw == found.t_ms % 977).all()
        assert reader.channels()[0].samples == len(found.t_ms)
        assert reader.gaps() == [
            Gap(START + 662_000, START + 664_000, "stored readings are damaged")
        ]
        assert reader.state("health") == {"state": "reading"}
        assert [mark.text for mark in reader.marks()] == ["jolt"]
        assert reader.check() == []
    assert verify(format_5).broken == ""


def test_an_older_archive_is_not_changed_by_reading_it(format_5: Path) -> None:
    """A reader cannot migrate; it says what to do."""
    before = format_5.read_bytes()
    with pytest.raises(Exception, match=r"older version .*sootsayer"):
        ArchiveReader(format_5)
    assert format_5.read_bytes() == before


def test_a_migration_that_is_cut_off_leaves_the_older_archive(
    format_5: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(database: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    with monkeypatch.context() as patched:
        patched.setattr("sootsayer.store.schema.MIGRATIONS", (*MIGRATIONS, fails))
        with pytest.raises(Exception, match="disk I/O error"):
            Archive.open(format_5)
    connection = sqlite3.connect(format_5)
    assert connection.execute("PRAGMA user_version").fetchone() == (5,)
    assert connection.execute("SELECT count(*) FROM tail").fetchone() == (3,)
    connection.close()


def test_rows_and_channels_of_an_older_format_get_their_sums(format_5: Path) -> None:
    Archive.open(format_5).close()
    connection = sqlite3.connect(format_5)
    for table in rows.SUMMED:
        assert connection.execute(f"SELECT count(*) FROM {table} WHERE crc IS NULL").fetchone() == (
            0,
        ), table
    assert list(rows.damaged(connection)) == []
    connection.close()


def test_damage_of_format_7_is_not_made_good_by_a_new_sum(format_5: Path) -> None:
    """What a format 7 row says of itself stays; only rows without a sum get one."""
    connection = sqlite3.connect(format_5, isolation_level=None)
    for migration in MIGRATIONS[5:7]:
        migration(Database(connection, execute_plugins=False))
    connection.execute("PRAGMA user_version = 7")
    row = {"t_ms": START + 9, "text": "real", "author": "driver"}
    rows.insert(connection, "mark", row)
    connection.execute("UPDATE mark SET text = 'rebl' WHERE text = 'real'")
    connection.close()
    Archive.open(format_5).close()
    with ArchiveReader(format_5) as reader:
        assert [mark.text for mark in reader.marks()] == ["jolt"]
        assert reader.damage() == ["table mark, row 2: is not what was written"]
