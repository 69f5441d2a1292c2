from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sootsayer.live.keeping import EVERY_MS, Keeping
from sootsayer.model import Batch, Scaling, Series
from sootsayer.settings import shipped_settings
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.schema import Refusal, cannot_write, refusal_of

DAY = 86_400_000
START = 1_764_000_000_000 // DAY * DAY


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    with Archive.open(tmp_path / "archive.db") as opened:
        t_ms = START + np.arange(1_000, 7_200_001, 1_000)
        rpm = Series("rpm", Scaling("rpm_quarter", 0.25, 0.0, "rpm"), t_ms, t_ms % 99)
        opened.append(Batch(START + 7_200_000, (rpm,)))
        opened.append(Batch(START + 2 * DAY))
        opened.commit()
        yield opened


def test_what_is_old_goes_little_by_little(archive: Archive) -> None:
    settings = replace(shipped_settings().retention, full_days=1.0, least_free_mb=0.0)
    keeping = Keeping(archive, settings, START)
    assert not keeping.look(START + EVERY_MS - 1)
    for minute in range(1, 10):
        assert not keeping.look(START + 2 * DAY + minute * EVERY_MS)
    assert keeping.as_json()["removed"] == 7_200
    assert keeping.as_json()["removed_why"] == "older than 1 days"
    assert keeping.trouble == "" and not keeping.room_is_short


def test_room_that_is_short_is_told_and_then_that_nothing_can_go(archive: Archive) -> None:
    settings = replace(shipped_settings().retention, least_free_mb=1_000_000.0)  # a terabyte
    keeping = Keeping(archive, settings, START)
    assert keeping.look(START + 2 * DAY)
    assert keeping.trouble == "room is short; the oldest readings are being removed"
    assert any(keeping.look(START + 2 * DAY + n * EVERY_MS) for n in range(1, 10))
    assert keeping.trouble.startswith("room is short and nothing may be removed any more")
    assert keeping.room_is_short


@pytest.mark.parametrize(
    ("trouble", "kind"),
    [
        (OSError(errno.ENOSPC, "no"), Refusal.FULL),
        (OSError(errno.EROFS, "no"), Refusal.READ_ONLY),
        (OSError(errno.EIO, "no"), Refusal.FAILING),
    ],
)
def test_each_refusal_has_its_words_and_only_a_full_disk_is_short_of_room(
    archive: Archive, trouble: OSError, kind: Refusal
) -> None:
    keeping = Keeping(archive, shipped_settings().retention, START)
    assert keeping.refused(cannot_write(archive.path, trouble), START)
    assert keeping.trouble == f"{kind}; what is read waits and is not lost yet"
    assert keeping.room_is_short == (kind is Refusal.FULL)
    assert keeping.accepted(START) and not keeping.room_is_short


def test_a_full_and_a_read_only_database_are_told_apart(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "a.db", isolation_level=None)
    connection.execute("CREATE TABLE t (x)")
    connection.execute("PRAGMA max_page_count = 2")
    with pytest.raises(sqlite3.Error) as full:
        connection.execute("INSERT INTO t VALUES (zeroblob(100000))")
    assert refusal_of(full.value) == Refusal.FULL
    connection.close()
    readonly = sqlite3.connect(f"file:{tmp_path}/a.db?mode=ro", uri=True)
    with pytest.raises(sqlite3.Error) as refused:
        readonly.execute("INSERT INTO t VALUES (1)")
    assert refusal_of(refused.value) == Refusal.READ_ONLY
    readonly.close()


def test_a_disk_that_refuses_is_told_once_and_its_end_too(archive: Archive) -> None:
    keeping = Keeping(archive, shipped_settings().retention, START)
    pages = archive._connection.execute("PRAGMA page_count").fetchone()[0]
    archive._connection.execute(f"PRAGMA max_page_count = {pages}")
    archive.put_state("large", os.urandom(100_000).hex())
    news = []
    for second in range(3):
        rpm = Series("rpm", Scaling("rpm_quarter", 0.25, 0.0, "rpm"),
                     np.array([START + 2 * DAY + second]), np.array([7]))  # fmt: skip
        archive.append(Batch(START + 2 * DAY + second, (rpm,)))
        with pytest.raises(Exception, match="full") as refused:
            archive.commit()
        news.append(keeping.refused(refused.value, START))
        archive.put_state("store", keeping.as_json())
    assert news == [True, False, False]
    with ArchiveReader(archive.path) as reader:  # readings and the news reach the ring all the same
        assert reader.state("store")["trouble"].startswith("the disk is full")
        (found,) = reader.series("rpm", START + DAY, START + 3 * DAY)
        assert len(found.t_ms) == 3
    archive._connection.execute("PRAGMA max_page_count = 100000")
    archive.commit()
    assert keeping.accepted(START)
    assert keeping.trouble == ""
