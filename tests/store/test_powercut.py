"""Power cuts at any operation: the database whole, at most the last commit lost, no alert lost."""

from __future__ import annotations

import random
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from sootsayer.store.ring import Ring, RingFile
from store import cutting, powercut
from store.powercut import Disk

CUTS = 1_000  # tests/bench does fifty thousand
PROOF_CUTS = 200


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """In memory where that is possible: what is lost is decided here, not by a disk."""
    memory = Path("/dev/shm")
    if not memory.is_dir():
        yield tmp_path
        return
    made = Path(tempfile.mkdtemp(dir=memory))
    yield made
    shutil.rmtree(made)


def found_after_cuts(
    folder: Path,
    cuts: int,
    pragmas: Mapping[str, Any] | None = None,
    ring: type[RingFile] | None = None,
    disk: Disk | None = None,
) -> list[tuple[int, list[str]]]:
    (folder / "made").mkdir()
    recorded = cutting.record(folder / "made", pragmas=pragmas, ring=ring, disk=disk)
    assert len(recorded.acknowledged) == cutting.COMMITS
    rng = random.Random(2026)
    return [
        (behind, untrue)
        for behind, untrue in cutting.cuts(recorded, folder / "cut", cuts, rng)
        if untrue
    ]


def test_whenever_the_power_goes_nothing_acknowledged_is_lost(folder: Path) -> None:
    assert found_after_cuts(folder, CUTS) == []


def test_the_harness_sees_a_database_that_does_not_sync(folder: Path) -> None:
    assert found_after_cuts(folder, PROOF_CUTS, {"synchronous": 0})


def test_the_harness_sees_a_log_that_is_not_synced_at_each_commit(folder: Path) -> None:
    """synchronous=NORMAL never breaks the file but forgets acknowledged alerts."""
    untrue = found_after_cuts(folder, PROOF_CUTS, {"synchronous": 1, "wal_autocheckpoint": 1000})
    assert any("alert" in line for _, lines in untrue for line in lines)


def test_the_harness_sees_a_ring_that_does_not_sync(folder: Path) -> None:
    disk = Disk()

    class Unsynced(powercut.ring_on(disk)):  # type: ignore[misc]
        def sync(self) -> None:
            disk.note("name", self._name)

    untrue = found_after_cuts(folder, PROOF_CUTS, ring=Unsynced, disk=disk)
    assert any("acknowledged" in line for _, lines in untrue for line in lines)


def test_the_harness_sees_a_ring_that_writes_over_what_counts(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each record one block early: where the one before it ends, still counting."""
    append = Ring.append

    def early(self: Ring, *words: Any) -> None:
        if self.number % 5 == 4:
            self._next = (self._next - 1) % self.blocks
        append(self, *words)

    monkeypatch.setattr(Ring, "append", early)
    assert found_after_cuts(folder, PROOF_CUTS)
