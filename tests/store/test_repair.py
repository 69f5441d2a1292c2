from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sootsayer.model import Alert, Batch, Changes, Mark, SootsayerError
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.repair import LOST, repair
from sootsayer.store.verify import verify

Drive = Callable[..., Iterator[Batch]]
START = 1_764_000_000_000 // 3_600_000 * 3_600_000
SECONDS = 7_500
PAGE = 4096


@pytest.fixture
def whole(path: Path, drive: Drive, alert: Callable[..., Alert]) -> Path:
    """Two hours and five minutes, an alert, a mark; the last minutes still in the ring."""
    archive = Archive.open(path)
    for batch in drive(SECONDS, 100_000):
        archive.append(batch)
        archive.commit()
    archive.apply(Changes(alerts=(alert(START),)))
    archive.mark(Mark(START + 5, "jolt", "driver"))
    archive.put_state("health", {"state": "reading"})
    archive.commit()
    archive._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    copy = path.with_name("whole.db")
    for ending in ("", "-ring"):
        shutil.copy(f"{path}{ending}", f"{copy}{ending}")
    archive.close()
    return copy


def stamps(path: Path) -> list[int]:
    with ArchiveReader(path) as reader:
        found = reader.series("rpm", 0, 1 << 60)
    return found[0].t_ms.tolist() if found else []


EVERYTHING = list(range(START + 100, START + SECONDS * 1000 + 1, 100))


def test_of_a_whole_archive_nothing_is_lost(whole: Path, tmp_path: Path) -> None:
    before = whole.read_bytes()
    found = repair(whole, tmp_path / "new.db")
    assert stamps(tmp_path / "new.db") == EVERYTHING
    assert (found.lost, found.notes) == ([], [])
    assert found.ring_records > 0
    with ArchiveReader(tmp_path / "new.db") as reader:
        assert len(reader.alerts()) == len(reader.marks()) == 1
        assert reader.state("health") == {"state": "reading"}
        assert sum(row.samples for row in reader.channels()) == 2 * len(EVERYTHING)
        assert reader.check() == []
    assert verify(tmp_path / "new.db").broken == ""
    assert whole.read_bytes() == before


def test_a_damaged_chunk_is_lost_and_told(whole: Path, tmp_path: Path) -> None:
    connection = sqlite3.connect(whole)
    connection.execute("UPDATE chunk SET body = substr(body, 1, 99) WHERE start_ms = ?",
                       (START + 600_000,))  # fmt: skip
    connection.commit()
    connection.close()
    found = repair(whole, tmp_path / "new.db")
    assert found.lost == [(START + 600_000, START + 1_200_000)]
    assert stamps(tmp_path / "new.db") == [
        t for t in EVERYTHING if not START + 600_000 < t <= START + 1_200_000
    ]
    with ArchiveReader(tmp_path / "new.db") as reader:
        assert [gap.reason for gap in reader.gaps()] == [LOST]


def test_a_lost_first_page_is_lent_from_a_new_archive(whole: Path, tmp_path: Path) -> None:
    with whole.open("r+b") as file:
        file.write(b"\xff" * PAGE)
    with pytest.raises(SootsayerError):
        ArchiveReader(whole)
    found = repair(whole, tmp_path / "new.db")
    assert any("first page" in note for note in found.notes)
    assert stamps(tmp_path / "new.db") == EVERYTHING
    with ArchiveReader(tmp_path / "new.db") as reader:
        assert len(reader.alerts()) == len(reader.marks()) == 1


@pytest.mark.parametrize("seed", range(12))
def test_whatever_pages_are_torn_what_comes_over_is_true(
    whole: Path, tmp_path: Path, seed: int
) -> None:
    """Some pages overwritten with noise: no crash, no wrong reading, and losses are told."""
    rng = random.Random(seed)
    pages = whole.stat().st_size // PAGE
    with whole.open("r+b") as file:
        for page in rng.sample(range(pages), k=1 + seed % 4):
            file.seek(page * PAGE)
            file.write(rng.randbytes(PAGE))
    before = whole.read_bytes()
    new = tmp_path / "new.db"
    found = repair(whole, new)
    assert whole.read_bytes() == before
    with ArchiveReader(new) as reader:
        assert reader.check() == []
        for series in reader.series("rpm", 0, 1 << 60):
            assert set(series.t_ms.tolist()) <= set(EVERYTHING)
            assert (series.raw == 3_000 + (series.t_ms * 7919) % 211).all()
    assert verify(new).broken == ""
    lost = set(EVERYTHING) - set(stamps(new))
    assert not lost or found.lost or found.notes


def test_nothing_is_overwritten(whole: Path, tmp_path: Path) -> None:
    (tmp_path / "there.db").write_text("mine")
    with pytest.raises(SootsayerError, match="exists already"):
        repair(whole, tmp_path / "there.db")
    with pytest.raises(SootsayerError, match="no such file"):
        repair(tmp_path / "none.db", tmp_path / "new.db")
    assert sorted(p.name for p in tmp_path.glob("*.part*")) == []
