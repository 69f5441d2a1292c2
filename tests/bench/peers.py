"""Other ways to keep the same readings, each as its own documentation has it: store, read, plot.

What a way cannot do durably every two seconds, a file that is whole only when it is closed, it
does once at the end. Plots are lowest and highest raw integer in ``WIDTH`` columns of equal time.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from readings import SHAPES
from readings import scaling as scaling_of

from sootsayer.model import Batch
from sootsayer.store.envelope import column_edges

CHANNEL = SHAPES[0].name
WIDTH = 1000
Span = tuple[int, int]
Plot = tuple[np.ndarray, np.ndarray]  # columns that hold any reading: lowest, highest


class Way(Protocol):
    """One file of readings."""

    path: Path

    def store(self, batches: Iterator[Batch]) -> None:
        """Everything, durable after each batch where the way can do that."""

    def read(self, span: Span) -> np.ndarray:
        """Raw integers of ``CHANNEL`` with ``start < t <= end``, in order."""

    def plot(self, span: Span) -> Plot: ...


def step_ms(span: Span) -> int:
    """How long a column is, the same for all."""
    edges_ms = column_edges(*span, WIDTH)
    return int(edges_ms[1] - edges_ms[0])


def folded(t_ms: np.ndarray, raw: np.ndarray, span: Span) -> Plot:
    inside = slice(*np.searchsorted(t_ms, span, "right"))
    column = (t_ms[inside] - span[0] - 1) // step_ms(span)
    firsts = np.flatnonzero(np.diff(column, prepend=-1))
    return np.minimum.reduceat(raw[inside], firsts), np.maximum.reduceat(raw[inside], firsts)


def tuples(batch: Batch) -> Iterator[tuple[int, str, int]]:
    for series in batch.series:
        for t_ms, raw in zip(series.t_ms.tolist(), series.raw.tolist(), strict=True):
            yield t_ms, series.channel, raw


@dataclass
class Ours:
    path: Path

    def store(self, batches: Iterator[Batch]) -> None:
        from sootsayer.store.archive import Archive

        with Archive.open(self.path) as archive:
            for batch in batches:
                archive.append(batch)
                archive.commit()

    def _ask(self, question: Callable[[Any], Any]) -> Any:
        from sootsayer.store.reader import ArchiveReader

        with ArchiveReader(self.path) as reader:
            return question(reader)

    def read(self, span: Span) -> np.ndarray:
        found: np.ndarray = self._ask(lambda reader: reader.series(CHANNEL, *span)[0].raw)
        return found

    def plot(self, span: Span) -> Plot:
        wide = self._ask(lambda reader: reader.envelope(CHANNEL, *span, WIDTH))
        there = ~np.isnan(wide.low)
        scaling = scaling_of(SHAPES[0])
        low, high = (
            np.rint((side[there] - scaling.offset) / scaling.scale).astype(np.int64)
            for side in (wide.low, wide.high)
        )
        return low, high


@dataclass
class Rows:
    """A row a reading by executemany, write-ahead log, synchronous=FULL."""

    path: Path
    index: bool = False

    def store(self, batches: Iterator[Batch]) -> None:
        connection = self._connect()
        connection.execute("CREATE TABLE reading (t_ms INTEGER, channel TEXT, raw INTEGER)")
        if self.index:
            connection.execute("CREATE INDEX by_channel ON reading (channel, t_ms)")
        for batch in batches:
            with connection:
                connection.executemany("INSERT INTO reading VALUES (?, ?, ?)", tuples(batch))
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.close()

    def _connect(self) -> sqlite3.Connection:
        connection = sqlite3.connect(self.path)
        connection.execute("PRAGMA journal_mode = wal")
        connection.execute("PRAGMA synchronous = FULL")
        return connection

    def read(self, span: Span) -> np.ndarray:
        sql = "SELECT raw FROM reading WHERE channel = ? AND t_ms > ? AND t_ms <= ? ORDER BY t_ms"
        return np.array(self._connect().execute(sql, (CHANNEL, *span)).fetchall(), np.int64)[:, 0]

    def plot(self, span: Span) -> Plot:
        found = self._connect().execute(
            "SELECT min(raw), max(raw) FROM reading WHERE channel = ? AND t_ms > ? AND t_ms <= ? "
            "GROUP BY (t_ms - ? - 1) / ? ORDER BY min(t_ms)",
            (CHANNEL, *span, span[0], step_ms(span)),
        )
        low_high = np.array(found.fetchall(), np.int64)
        return low_high[:, 0], low_high[:, 1]


@dataclass
class SqliteUtils(Rows):
    """sqlite-utils' insert_all into the same kind of file."""

    def store(self, batches: Iterator[Batch]) -> None:
        from sqlite_utils import Database

        connection = self._connect()
        readings = Database(connection).table("reading")
        for batch in batches:
            readings.insert_all(
                {"t_ms": t_ms, "channel": channel, "raw": raw}
                for t_ms, channel, raw in tuples(batch)
            )
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.close()


@dataclass
class PythonCan:
    """python-can's writers: a frame a reading, eight bytes of data, an id a channel."""

    path: Path
    writer: str = "SqliteWriter"
    reader: str = "SqliteReader"

    def store(self, batches: Iterator[Batch]) -> None:
        import can.io
        from can import Message

        numbers: dict[str, int] = {}
        with getattr(can.io, self.writer)(self.path) as writer:
            for batch in batches:
                for t_ms, channel, raw in tuples(batch):
                    number = numbers.setdefault(channel, len(numbers))
                    packed = raw.to_bytes(8, "little")
                    writer(Message(t_ms / 1000, number, is_extended_id=False, data=packed))
            while hasattr(writer, "buffer") and not writer.buffer.empty():
                time.sleep(0.01)  # what its thread has not taken when it is stopped is dropped

    def _columns(self) -> tuple[np.ndarray, np.ndarray]:
        """``CHANNEL`` is the first one stored, so its id is 0."""
        import can.io

        with getattr(can.io, self.reader)(self.path) as reader:
            found = [
                (round(m.timestamp * 1000), int.from_bytes(m.data, "little"))
                for m in reader
                if m.arbitration_id == 0
            ]
        t_ms, raw = np.array(found, np.int64).T
        return t_ms, raw

    def read(self, span: Span) -> np.ndarray:
        t_ms, raw = self._columns()
        return raw[slice(*np.searchsorted(t_ms, span, "right"))]

    def plot(self, span: Span) -> Plot:
        return folded(*self._columns(), span)


@dataclass
class Parquet:
    """pyarrow: delta-packed columns, zstd, a row group a minute."""

    path: Path

    def store(self, batches: Iterator[Batch]) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        schema = pa.schema([("t_ms", pa.int64()), ("channel", pa.int16()), ("raw", pa.int64())])
        delta = dict.fromkeys(schema.names, "DELTA_BINARY_PACKED")
        with pq.ParquetWriter(
            self.path, schema, compression="zstd", use_dictionary=False, column_encoding=delta
        ) as writer:
            for batch in batches:
                numbers = [
                    np.full(len(s.t_ms), number, np.int16) for number, s in enumerate(batch.series)
                ]
                columns = [
                    np.concatenate([s.t_ms for s in batch.series]),
                    np.concatenate(numbers),
                    np.concatenate([s.raw for s in batch.series]),
                ]
                writer.write_table(pa.table(columns, schema=schema))

    def _columns(self, span: Span) -> tuple[np.ndarray, np.ndarray]:
        import pyarrow.parquet as pq

        wanted = [("channel", "=", 0), ("t_ms", ">", span[0]), ("t_ms", "<=", span[1])]
        found = pq.read_table(self.path, columns=["t_ms", "raw"], filters=wanted)
        return np.asarray(found["t_ms"]), np.asarray(found["raw"])

    def read(self, span: Span) -> np.ndarray:
        return self._columns(span)[1]

    def plot(self, span: Span) -> Plot:
        return folded(*self._columns(span), span)


@dataclass
class Mdf4:
    """asammdf: a group a reply of six channels, transposed and deflated, in one go."""

    path: Path
    first_ms: int = 0  # its stamps are seconds since a start

    def store(self, batches: Iterator[Batch]) -> None:
        from asammdf import MDF, Signal

        kept = list(batches)
        self.first_ms = kept[0].upto_ms
        with MDF(version="4.10") as file:
            for reply in range(0, len(kept[0].series), 6):
                signals = []
                for number in range(reply, reply + 6):
                    pieces = [batch.series[number] for batch in kept]
                    raw = np.concatenate([piece.raw for piece in pieces])
                    kind = np.uint8 if raw.max() < 256 else np.uint16
                    since_s = (np.concatenate([p.t_ms for p in pieces]) - self.first_ms) / 1000
                    signals.append(Signal(raw.astype(kind), since_s, name=pieces[0].channel))
                file.append(signals)
            file.save(self.path, overwrite=True, compression=2)

    def _columns(self) -> tuple[np.ndarray, np.ndarray]:
        from asammdf import MDF

        with MDF(self.path) as file:
            signal = file.get(CHANNEL)
            t_ms = np.rint(signal.timestamps * 1000).astype(np.int64) + self.first_ms
            return t_ms, np.asarray(signal.samples).astype(np.int64)

    def read(self, span: Span) -> np.ndarray:
        t_ms, raw = self._columns()
        return raw[slice(*np.searchsorted(t_ms, span, "right"))]

    def plot(self, span: Span) -> Plot:
        return folded(*self._columns(), span)
