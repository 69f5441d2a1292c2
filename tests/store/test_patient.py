"""A disk that does not let the archive be opened for writing: nothing is lost meanwhile."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sootsayer.model import (
    Alert,
    Anchor,
    Batch,
    Changes,
    CodeSeen,
    CodeStatus,
    Gap,
    Mark,
    SootsayerError,
)
from sootsayer.store import archive as archive_module
from sootsayer.store import patient as patient_module
from sootsayer.store.archive import Archive
from sootsayer.store.patient import PatientArchive, open_patiently
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.schema import ArchiveRefusedError, cannot_write

START = 1_764_000_000_000 // 3_600_000 * 3_600_000
Drive = Callable[..., Iterator[Batch]]


class Card:
    """Refuses to be written while ``refuses``."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.refuses = True
        self._open = archive_module.open_writer
        monkeypatch.setattr(archive_module, "open_writer", self._opened)

    def _opened(self, path: Path) -> object:
        if self.refuses:
            raise cannot_write(path, OSError(errno.EROFS, "read-only file system"))
        return self._open(path)


@pytest.fixture
def card(path: Path, drive: Drive, monkeypatch: pytest.MonkeyPatch) -> Card:
    """With ten seconds of an earlier boot on it, the last of them in the ring; cut off."""
    archive = Archive.open(path)
    archive.begin_boot("before", 0, START, True)
    for batch in drive(10):
        archive.append(batch)
        archive.commit()
    archive._lock_file.close()
    archive._connection.close()
    return Card(monkeypatch)


def test_what_waits_is_stored_when_the_disk_takes_it(
    card: Card, path: Path, drive: Drive, alert: Callable[..., Alert]
) -> None:
    archive = open_patiently(path)
    assert isinstance(archive, PatientArchive)
    assert archive.upto_ms == START + 10_000  # the ring was read
    # A clock that says 1970 gets log time after all that is stored.
    offset_ms = archive.begin_boot("now", 7_000, 5, False)
    assert 7_000 + offset_ms == START + 10_001
    code = CodeSeen(START + 11_000, "7E8", "P0401", CodeStatus.PENDING)
    for batch in drive(20, start_ms=START + 11_000):
        archive.append(batch)
        with pytest.raises(ArchiveRefusedError, match="read-only"):
            archive.commit()
    archive.append(Batch(START + 31_000, (), (code,)))
    archive.apply(Changes((alert(START + 12_000),)))
    archive.mark(Mark(START + 12_500, "jolt", "driver"))
    archive.gap(Gap(START + 10_000, START + 11_000, "card"))
    archive.anchor(Anchor(START + 12_600, START + 99_000, True, "phone"))
    archive.put_state("health", {"state": "old"})
    archive.put_state("health", {"state": "reading"})
    assert archive.waiting_samples == 400
    with pytest.raises(ArchiveRefusedError):
        archive.hold(1, 2, "pack")
    card.refuses = False
    archive.commit()
    for batch in drive(5, start_ms=START + 31_000):
        archive.append(batch)
    archive.hold(START, START + 1, "pack")
    archive.close()
    with ArchiveReader(path) as reader:
        (rpm,) = reader.series("rpm", 0, 1 << 60)
        assert rpm.t_ms.tolist() == [
            *range(START + 100, START + 10_001, 100), *range(START + 11_100, START + 36_001, 100)
        ]  # fmt: skip
        assert [boot.offset_ms for boot in reader.boots()][1:] == [offset_ms]
        assert reader.state("health") == {"state": "reading"}
        assert [row.alert.first_ms for row in reader.alerts()] == [START + 12_000]
        assert reader.codes_seen() == [code] and len(reader.marks()) == 1
        assert len(reader.gaps()) == 1 and len(reader.anchors()) == 3
        assert reader.check() == []


def test_a_boot_that_is_known_keeps_its_offset(card: Card, path: Path) -> None:
    archive = open_patiently(path)
    assert archive.begin_boot("before", 20_000, 5, False) == START
    card.refuses = False
    archive.close()
    assert len(ArchiveReader(path).boots()) == 1


def test_memory_is_finite_and_what_it_lets_go_of_becomes_a_gap(
    card: Card, path: Path, drive: Drive, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patient_module, "BUFFER_MAX_SAMPLES", 1_000)
    archive = open_patiently(path)
    archive.begin_boot("now", 0, START + 20_000, True)
    for batch in drive(100, start_ms=START + 20_000):  # 2,000 samples
        archive.append(batch)
        assert archive.waiting_samples <= 1_000
    card.refuses = False
    archive.close()
    with ArchiveReader(path) as reader:
        gaps = [gap for gap in reader.gaps() if gap.reason == patient_module.DROPPED]
        (rpm,) = reader.series("rpm", START + 20_000, 1 << 60)
        kept = rpm.t_ms.tolist()
    assert kept == [
        t
        for t in range(START + 20_100, START + 120_001, 100)
        if not any(gap.start_ms < t <= gap.end_ms for gap in gaps)
    ]
    assert 250 <= len(kept) < 1_000


def test_another_recorder_meanwhile_is_told_and_nothing_is_mixed(card: Card, path: Path) -> None:
    archive = open_patiently(path)
    archive.begin_boot("now", 0, START + 20_000, True)
    card.refuses = False
    with Archive.open(path) as other:
        other.append(Batch(START + 90_000))
        other.mark(Mark(START + 90_000, "other", ""))
    with pytest.raises(SootsayerError, match="another recorder has written"):
        archive.commit()


@pytest.mark.parametrize("content", [b"", b"no database at all" * 400])
def test_waiting_does_not_hide_a_file_that_is_not_ours(
    card: Card, tmp_path: Path, content: bytes
) -> None:
    other = tmp_path / "other.db"
    other.write_bytes(content)
    with pytest.raises(ArchiveRefusedError):
        open_patiently(other)
    with pytest.raises(ArchiveRefusedError):
        open_patiently(tmp_path / "missing.db")


def test_a_damaged_archive_is_not_waited_for(path: Path) -> None:
    Archive.open(path).close()
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xff" * 4096 * 3)
    with pytest.raises(SootsayerError):
        open_patiently(path)
