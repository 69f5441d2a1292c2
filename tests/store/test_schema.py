from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest

from sootsayer.model import SootsayerError
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.schema import APPLICATION_ID, MIGRATIONS, WRITER, open_writer


def test_a_new_archive_says_what_it_is(path: Path) -> None:
    open_writer(path).close()
    header = path.read_bytes()[:100]
    # sqlite.org/fileformat2.html: application id at 68, user version at 60, big-endian.
    assert int.from_bytes(header[68:72], "big") == APPLICATION_ID
    assert int.from_bytes(header[60:64], "big") == len(MIGRATIONS)
    # largest root page not 0 (52) and incremental vacuum (64): auto_vacuum = INCREMENTAL.
    assert int.from_bytes(header[52:56], "big") > 0
    assert int.from_bytes(header[64:68], "big") == 1


def test_every_pragma_is_in_force(path: Path) -> None:
    connection = open_writer(path)
    for name, value in WRITER.items():
        assert connection.execute(f"PRAGMA {name}").fetchone()[0] == value
    connection.close()


def test_an_archive_cut_off_before_its_first_table_is_begun_again(path: Path) -> None:
    path.touch()
    Archive.open(path).close()
    path.unlink()
    empty = sqlite3.connect(path)
    empty.execute("PRAGMA auto_vacuum = 2")
    empty.execute("PRAGMA journal_mode = wal")
    empty.close()
    Archive.open(path).close()
    assert ArchiveReader(path).check() == []


def test_a_database_of_another_program_is_refused_and_untouched(path: Path) -> None:
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE song (title TEXT)")
    other.close()
    before = path.read_bytes()
    for opened in (Archive.open, ArchiveReader):
        with pytest.raises(SootsayerError, match=r"archive\.db: a database of another program"):
            opened(path)
    assert path.read_bytes() == before


def test_a_file_that_is_no_database_is_refused_and_untouched(path: Path) -> None:
    path.write_text("not a database, but longer than a header of one hundred bytes" * 9)
    before = path.read_bytes()
    for opened in (Archive.open, ArchiveReader):
        with pytest.raises(SootsayerError, match="file is not a database"):
            opened(path)
    assert path.read_bytes() == before


def test_a_newer_archive_is_refused(path: Path) -> None:
    Archive.open(path).close()
    newer = sqlite3.connect(path)
    newer.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    newer.close()
    for opened in (Archive.open, ArchiveReader):
        with pytest.raises(SootsayerError, match="newer version"):
            opened(path)


def test_a_missing_or_empty_archive_is_not_read(path: Path) -> None:
    with pytest.raises(SootsayerError, match="no such file"):
        ArchiveReader(path)
    path.touch()
    with pytest.raises(SootsayerError, match="nothing has been recorded"):
        ArchiveReader(path)


def test_a_folder_that_is_missing_or_a_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    for folder in ("nowhere", "file"):
        with pytest.raises(SootsayerError, match=f"{folder}/archive.db: cannot write"):
            Archive.open(tmp_path / folder / "archive.db")


def test_a_folder_that_nobody_may_write_is_named() -> None:
    with pytest.raises(SootsayerError, match=r"/proc/archive\.db: cannot write"):
        Archive.open(Path("/proc/archive.db"))


def test_a_second_writer_is_refused_until_the_first_lets_go(path: Path) -> None:
    first = Archive.open(path)
    with pytest.raises(SootsayerError, match=f"process {os.getpid()} is recording"):
        Archive.open(path)
    first.close()
    Archive.open(path).close()


def test_a_reader_cannot_write(path: Path) -> None:
    Archive.open(path).close()
    reader = ArchiveReader(path)
    with pytest.raises(sqlite3.OperationalError):
        reader._connection().execute("INSERT INTO state VALUES ('a', '1')")
    reader.close()


def test_half_a_migration_leaves_nothing(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(database: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    with monkeypatch.context() as patched:
        patched.setattr("sootsayer.store.schema.MIGRATIONS", (MIGRATIONS[0], fails))
        with pytest.raises(SootsayerError, match="disk I/O error"):
            open_writer(path)
    Archive.open(path).close()
    assert ArchiveReader(path).check() == []
