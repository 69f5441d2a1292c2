"""The n-th write, sync or opening fails, for every n: no crash, no wrong data, nothing lost."""

from __future__ import annotations

import errno
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import apsw
import pytest

from store import cutting
from store.powercut import Disk

COMMITS = 45  # the ring is emptied twice, a trip ends, the log is checkpointed


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    memory = Path("/dev/shm")
    made = Path(tempfile.mkdtemp(dir=memory if memory.is_dir() else tmp_path))
    yield made
    shutil.rmtree(made)


class Refusing:
    """Lets the first ``n - 1`` calls of one kind pass, refuses ``times`` and then lets pass."""

    def __init__(self, kind: str, n: int, times: int) -> None:
        self.kind, self.first, self.last = kind, n, n + times - 1
        self.calls = 0

    def __call__(self, kind: str, file: str) -> None:
        if kind != self.kind:
            return
        self.calls += 1
        if self.first <= self.calls <= self.last:
            if file.endswith("-ring"):
                raise OSError(errno.ENOSPC if kind != "sync" else errno.EIO, "refused")
            raise apsw.FullError("refused") if kind == "write" else apsw.IOError("refused")


def troubles(folder: Path, kind: str, n: int, times: int) -> tuple[bool, int, list[str]]:
    """Whether the n-th came at all, how many commits were refused, and what is untrue then."""
    refusing = Refusing(kind, n, times)
    made = folder / "made"
    shutil.rmtree(made, ignore_errors=True)
    made.mkdir()
    recorded = cutting.record(made, COMMITS, disk=Disk(refuse=refusing))
    acknowledged = recorded.acknowledged[-1][1:] if recorded.acknowledged else (0, 0)
    return refusing.calls >= n, recorded.refused, cutting.troubles(made / cutting.NAME,
                                                                   *acknowledged)  # fmt: skip


@pytest.mark.parametrize("kind", ["write", "sync", "open"])
def test_the_nth_fails_once(folder: Path, kind: str) -> None:
    n, came = 0, True
    while came:
        n += 1
        came, _, untrue = troubles(folder, kind, n, times=1)
        assert untrue == [], f"{kind} {n} failed"
    assert n > {"write": 100, "sync": 50, "open": 2}[kind]


@pytest.mark.parametrize("kind", ["write", "sync"])
@pytest.mark.parametrize("n", [1, 2, 3, 5, 8, 13, 21, 34, 55])
def test_from_the_nth_on_all_fail(folder: Path, kind: str, n: int) -> None:
    _, refused, untrue = troubles(folder, kind, n, times=1_000_000)
    assert untrue == []
    assert refused > 0
