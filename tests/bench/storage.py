"""An hour of 24 channels at 10 Hz: bytes, speed and memory against a row for every reading.

Every way stores the same readings in a process of its own, durable once a minute of readings,
write-ahead log and synchronous=FULL as ours; then one channel's hour is read back. Memory is
above that of a process that only makes the readings. The ratio is ours to the peer's.
"""

from __future__ import annotations

import multiprocessing
import resource
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from readings import drive
from sqlite_utils import Database

from sootsayer.model import Batch

START_MS = 1_764_000_000_000 // 3_600_000 * 3_600_000
MINUTES = 60
CHANNEL = "rpm"
COMMIT_MS = 2_000  # the recorder's default
READS = 5


@dataclass(frozen=True, slots=True)
class Measured:
    samples: int
    store_s: float
    read_s: float
    size_bytes: int
    memory_mb: float
    checksum: int  # sum of the channel's raw integers as read back, the same for all


def make_only(path: Path) -> Measured:
    batches = drive(START_MS, MINUTES)
    path.touch()
    raws = [s.raw for b in batches for s in b.series if s.channel == CHANNEL]
    return _measured(batches, 0.0, path, lambda: np.concatenate(raws))


def ours_by_the_minute(path: Path) -> Measured:
    return _ours(path, drive(START_MS, MINUTES))


def ours_every_two_seconds(path: Path) -> Measured:
    batches = drive(START_MS, MINUTES)
    return _ours(path, [p for batch in batches for p in cut_every(batch, COMMIT_MS)])


def rows(path: Path) -> Measured:
    """CREATE TABLE reading (t_ms, channel, raw) and executemany."""
    return _rows(path, indexed=False)


def rows_with_index(path: Path) -> Measured:
    """The same with an index, so that one channel can be found."""
    return _rows(path, indexed=True)


def sqlite_utils_insert_all(path: Path) -> Measured:
    batches = drive(START_MS, MINUTES)
    connection = _connect(path)
    readings = Database(connection).table("reading")
    started_s = time.perf_counter()
    for batch in batches:
        readings.insert_all(
            {"t_ms": t_ms, "channel": channel, "raw": raw} for t_ms, channel, raw in _tuples(batch)
        )
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    store_s = time.perf_counter() - started_s
    return _measured(batches, store_s, path, lambda: _select(connection, CHANNEL))


PEERS: dict[str, Callable[[Path], Measured]] = {
    "a row a reading": rows,
    "a row a reading, indexed": rows_with_index,
    "sqlite-utils insert_all": sqlite_utils_insert_all,
}


def run() -> list[str]:
    only = _alone(make_only)
    ours = _alone(ours_by_the_minute)
    live = _alone(ours_every_two_seconds)
    lines = [
        f"{'':<28}{'B/sample':>9}{'samples/s':>12}{'read 1 h':>10}{'memory':>9}"
        f"{'size':>9}{'speed':>8}{'read':>8}"
    ]
    lines.append(_line("ours, a commit a minute", ours, only, ours))
    lines.append(_line("ours, a commit every 2 s", live, only, ours))
    for name, peer in PEERS.items():
        theirs = _alone(peer)
        if theirs.checksum != ours.checksum:
            raise AssertionError(f"{name} read back something else")
        lines.append(_line(name, theirs, only, ours))
    lines.append(f"{ours.samples:,} readings; size, speed, read: how many times worse than ours")
    return lines


def _line(name: str, it: Measured, only: Measured, ours: Measured) -> str:
    return (
        f"{name:<28}{it.size_bytes / it.samples:>9.3f}{it.samples / it.store_s:>12,.0f}"
        f"{it.read_s * 1000:>7.1f} ms{it.memory_mb - only.memory_mb:>6.0f} MB"
        f"{it.size_bytes / ours.size_bytes:>8.1f}x{it.store_s / ours.store_s:>7.1f}x"
        f"{it.read_s / ours.read_s:>7.1f}x"
    )


def _alone(way: Callable[[Path], Measured]) -> Measured:
    """In a fresh process, so that its peak of memory is its own."""
    fresh = multiprocessing.get_context("spawn")
    with (
        tempfile.TemporaryDirectory() as folder,
        ProcessPoolExecutor(1, mp_context=fresh) as pool,
    ):
        return pool.submit(way, Path(folder) / "readings.db").result()


def _ours(path: Path, batches: list[Batch]) -> Measured:
    from sootsayer.store.archive import Archive
    from sootsayer.store.reader import ArchiveReader

    started_s = time.perf_counter()
    with Archive.open(path) as archive:
        for batch in batches:
            archive.append(batch)
            archive.commit()
    store_s = time.perf_counter() - started_s
    end_ms = START_MS + MINUTES * 60_000
    with ArchiveReader(path) as reader:
        return _measured(
            batches, store_s, path, lambda: reader.series(CHANNEL, START_MS, end_ms)[0].raw
        )


def _rows(path: Path, indexed: bool) -> Measured:
    batches = drive(START_MS, MINUTES)
    connection = _connect(path)
    connection.execute("CREATE TABLE reading (t_ms INTEGER, channel TEXT, raw INTEGER)")
    if indexed:
        connection.execute("CREATE INDEX by_channel ON reading (channel, t_ms)")
    started_s = time.perf_counter()
    for batch in batches:
        with connection:
            connection.executemany("INSERT INTO reading VALUES (?, ?, ?)", _tuples(batch))
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    store_s = time.perf_counter() - started_s
    return _measured(batches, store_s, path, lambda: _select(connection, CHANNEL))


def _connect(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = wal")
    connection.execute("PRAGMA synchronous = FULL")
    return connection


def _select(connection: sqlite3.Connection, channel: str) -> np.ndarray:
    found = connection.execute("SELECT t_ms, raw FROM reading WHERE channel = ?", (channel,))
    return np.array(found.fetchall(), np.int64)[:, 1]


def _tuples(batch: Batch) -> Iterator[tuple[int, str, int]]:
    for series in batch.series:
        for t_ms, raw in zip(series.t_ms.tolist(), series.raw.tolist(), strict=True):
            yield t_ms, series.channel, raw


def cut_every(batch: Batch, step_ms: int) -> Iterator[Batch]:
    """A batch of one minute in pieces."""
    for upto_ms in range(batch.upto_ms - 60_000 + step_ms, batch.upto_ms + 1, step_ms):
        pieces = []
        for series in batch.series:
            where = slice(*np.searchsorted(series.t_ms, [upto_ms - step_ms, upto_ms], "right"))
            kind = type(series)
            pieces.append(
                kind(series.channel, series.scaling, series.t_ms[where], series.raw[where])
            )
        yield Batch(upto_ms, tuple(pieces))


def _measured(
    batches: list[Batch], store_s: float, path: Path, read: Callable[[], np.ndarray]
) -> Measured:
    spent_s = []
    for _ in range(READS):
        started_s = time.perf_counter()
        raw = read()
        spent_s.append(time.perf_counter() - started_s)
    return Measured(
        samples=sum(batch.samples for batch in batches),
        store_s=store_s,
        read_s=sorted(spent_s)[READS // 2],
        size_bytes=path.stat().st_size,
        memory_mb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        checksum=int(raw.sum()),
    )
