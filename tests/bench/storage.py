"""An hour of 24 channels at 10 Hz: bytes, speed and memory against what pip can bring.

Every way stores the same readings in a process of its own, the SQLite ones durable once a minute
of readings, write-ahead log and synchronous=FULL as ours; then one channel's hour is read back
and held against the others. Memory is above that of a process that only makes the readings. The
ratio is ours to the peer's.
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
from typing import Any

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


def python_can_sqlite(path: Path) -> Measured:
    """python-can's SQLite writer, a frame a reading: eight bytes of data, an id a channel."""
    from can.io import SqliteReader, SqliteWriter

    return _python_can(path, SqliteWriter, SqliteReader)


def python_can_blf(path: Path) -> Measured:
    """python-can's BLF writer, the same frames."""
    from can.io import BLFReader, BLFWriter

    return _python_can(path.with_suffix(".blf"), BLFWriter, BLFReader)


def _python_can(path: Path, make_writer: Any, make_reader: Any) -> Measured:
    from can import Message

    batches = drive(START_MS, MINUTES)
    numbers = {series.channel: number for number, series in enumerate(batches[0].series)}
    started_s = time.perf_counter()
    with make_writer(path) as writer:
        for batch in batches:
            for t_ms, channel, raw in _tuples(batch):
                packed = raw.to_bytes(8, "little")
                writer(Message(t_ms / 1000, numbers[channel], is_extended_id=False, data=packed))
        while hasattr(writer, "buffer") and not writer.buffer.empty():
            time.sleep(0.01)  # what its thread has not taken when it is stopped is dropped
    store_s = time.perf_counter() - started_s

    def read() -> np.ndarray:
        with make_reader(path) as reader:
            wanted = numbers[CHANNEL]
            found = [m.data for m in reader if m.arbitration_id == wanted]
        return np.array([int.from_bytes(data, "little") for data in found])

    return _measured(batches, store_s, path, read, reads=1)


def parquet(path: Path) -> Measured:
    """pyarrow, a table a minute and channel as a column each, delta-packed, zstd."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    batches = drive(START_MS, MINUTES)
    schema = pa.schema([("t_ms", pa.int64()), ("channel", pa.int16()), ("raw", pa.int64())])
    numbers = {series.channel: number for number, series in enumerate(batches[0].series)}
    started_s = time.perf_counter()
    delta = dict.fromkeys(schema.names, "DELTA_BINARY_PACKED")
    with pq.ParquetWriter(
        path, schema, compression="zstd", use_dictionary=False, column_encoding=delta
    ) as writer:
        for batch in batches:
            columns = [
                np.concatenate([series.t_ms for series in batch.series]),
                np.concatenate(
                    [np.full(len(s.t_ms), numbers[s.channel], np.int16) for s in batch.series]
                ),
                np.concatenate([series.raw for series in batch.series]),
            ]
            writer.write_table(pa.table(columns, schema=schema))
    store_s = time.perf_counter() - started_s

    def read() -> np.ndarray:
        found = pq.read_table(path, columns=["raw"], filters=[("channel", "=", numbers[CHANNEL])])
        return np.asarray(found["raw"])

    return _measured(batches, store_s, path, read)


def mdf4(path: Path) -> Measured:
    """asammdf, a group a reply of six channels, transposed and deflated; in one go at the end."""
    from asammdf import MDF, Signal

    batches = drive(START_MS, MINUTES)
    path = path.with_suffix(".mf4")
    started_s = time.perf_counter()
    with MDF(version="4.10") as file:
        for reply in range(0, len(batches[0].series), 6):
            signals = []
            for number in range(reply, reply + 6):
                pieces = [batch.series[number] for batch in batches]
                raw = np.concatenate([piece.raw for piece in pieces])
                kind = np.uint8 if raw.max() < 256 else np.uint16
                seconds = np.concatenate([piece.t_ms for piece in pieces]) / 1000
                signals.append(Signal(raw.astype(kind), seconds, name=pieces[0].channel))
            file.append(signals)
        file.save(path, overwrite=True, compression=2)
    store_s = time.perf_counter() - started_s

    def read() -> np.ndarray:
        with MDF(path) as file:
            return np.asarray(file.get(CHANNEL).samples).astype(np.int64)

    return _measured(batches, store_s, path, read)


PEERS: dict[str, Callable[[Path], Measured]] = {
    "a row a reading": rows,
    "a row a reading, indexed": rows_with_index,
    "sqlite-utils insert_all": sqlite_utils_insert_all,
    "python-can SQLite writer": python_can_sqlite,
    "python-can BLF writer": python_can_blf,
    "Parquet, delta, zstd": parquet,
    "MDF 4, transposed": mdf4,
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
    batches: list[Batch],
    store_s: float,
    path: Path,
    read: Callable[[], np.ndarray],
    reads: int = READS,
) -> Measured:
    spent_s = []
    for _ in range(reads):
        started_s = time.perf_counter()
        raw = read()
        spent_s.append(time.perf_counter() - started_s)
    return Measured(
        samples=sum(batch.samples for batch in batches),
        store_s=store_s,
        read_s=sorted(spent_s)[reads // 2],
        size_bytes=path.stat().st_size,
        memory_mb=resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        checksum=int(raw.sum()),
    )
