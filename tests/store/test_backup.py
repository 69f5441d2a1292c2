from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sootsayer.model import Batch, Mark, SootsayerError
from sootsayer.store.archive import Archive
from sootsayer.store.backup import backup
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.verify import verify

Drive = Callable[..., Iterator[Batch]]
START = 1_764_000_000_000 // 3_600_000 * 3_600_000


def stamps(path: Path) -> list[int]:
    with ArchiveReader(path) as reader:
        return reader.series("rpm", 0, 1 << 60)[0].t_ms.tolist()


def test_a_copy_has_all_up_to_the_last_commit(
    path: Path, tmp_path: Path, drive: Drive, archive: Archive
) -> None:
    for batch in drive(700, 5_000):
        archive.append(batch)
        archive.commit()
    archive.mark(Mark(START + 5, "jolt", "driver"))
    archive.put_state("health", {"state": "reading"})
    archive.commit()
    seen: list[tuple[int, int]] = []
    backup(path, tmp_path / "copy.db", lambda *step: seen.append(step))
    assert sorted(p.name for p in tmp_path.glob("copy*")) == ["copy.db"]
    assert stamps(tmp_path / "copy.db") == stamps(path)
    assert seen[-1][0] == seen[-1][1]
    with ArchiveReader(tmp_path / "copy.db") as reader:
        assert reader.state("health") == {"state": "reading"}
        assert [mark.text for mark in reader.marks()] == ["jolt"]
    assert verify(tmp_path / "copy.db").broken == ""


def test_a_copy_made_while_the_recorder_writes_is_one_moment(
    path: Path, tmp_path: Path, drive: Drive
) -> None:
    """Whatever commit it falls between, also a chunk being made: no hole and no double."""
    archive = Archive.open(path)
    stop = threading.Event()

    def write() -> None:
        for batch in drive(40_000, 5_000):
            if stop.is_set():
                return
            archive.append(batch)
            archive.commit()

    for batch in drive(1, start_ms=START - 1_000):
        archive.append(batch)
    archive.commit()
    thread = threading.Thread(target=write)
    thread.start()
    copies = []
    for number in range(8):
        copy = tmp_path / f"copy{number}.db"
        backup(path, copy)
        found = stamps(copy)
        assert found == list(range(START - 900, found[-1] + 1, 100))
        assert verify(copy).broken == ""
        copies.append(len(found))
    stop.set()
    thread.join()
    archive.close()
    assert copies == sorted(copies)
    assert copies[-1] > copies[0]


def test_a_copy_goes_on_where_the_archive_was(path: Path, tmp_path: Path, drive: Drive) -> None:
    """Moving to a new card."""
    with Archive.open(path) as archive:
        for batch in drive(90):
            archive.append(batch)
    moved = tmp_path / "moved.db"
    backup(path, moved)
    with Archive.open(moved) as archive:
        for batch in drive(30, start_ms=START + 90_000):
            archive.append(batch)
    assert stamps(moved) == list(range(START + 100, START + 120_001, 100))
    assert verify(moved).broken == ""


def test_nothing_is_overwritten(path: Path, tmp_path: Path, drive: Drive) -> None:
    Archive.open(path).close()
    (tmp_path / "there.db").write_text("mine")
    with pytest.raises(SootsayerError, match="exists already"):
        backup(path, tmp_path / "there.db")
    assert (tmp_path / "there.db").read_text() == "mine"
    with pytest.raises(SootsayerError, match="no such file"):
        backup(tmp_path / "none.db", tmp_path / "new.db")
    assert not list(tmp_path.glob("new*"))
