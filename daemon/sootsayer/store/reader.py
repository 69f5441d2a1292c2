"""Reads an archive while it is being written, never writes it.

Each thread has a connection of its own, closed with the thread. Every method fetches all it
needs and leaves no cursor or transaction open, so the writer can always tidy its log. A stored
minute that is damaged is left out, like a gap, and named by :meth:`ArchiveReader.gaps`.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

from sootsayer.model import (
    Alert,
    AlertState,
    Anchor,
    Batch,
    CodeSeen,
    CodesRead,
    CodeStatus,
    Episode,
    Gap,
    Identity,
    Link,
    Mark,
    Opening,
    Scaling,
    Series,
    SourceStatus,
    Trip,
    Verdict,
)
from sootsayer.store import query, readings, rows
from sootsayer.store.answers import AlertRow, BootRow, ChannelRow, CodeRow
from sootsayer.store.chunk import STRETCH_MS, Chunk, Column
from sootsayer.store.envelope import Envelope
from sootsayer.store.plain import from_plain
from sootsayer.store.ring import Record
from sootsayer.store.ring_view import RingView, Tail
from sootsayer.store.schema import cannot_read, open_reader
from sootsayer.store.verdict_form import verdict_form
from sootsayer.store.walltime import WallTimes

__all__ = ["AlertRow", "ArchiveReader", "BootRow", "ChannelRow", "CodeRow"]

BEGINNING_MS = -(1 << 62)
END_MS = 1 << 62
DAMAGED = "stored readings are damaged"


class ArchiveReader:
    """Read-only view of an archive. Every method raises SootsayerError if it cannot be read."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._thread = threading.local()
        self._damaged: frozenset[tuple[int, int]] = frozenset()
        self._watch_lock = threading.Lock()
        self._watch = open_reader(path)
        self._ring = RingView(path)
        with self._readable():
            self._salt = rows.ring_done(self._watch).salt

    @property
    def path(self) -> Path:
        return self._path

    # ------------------------------------------------------------ readings

    def channels(self) -> list[ChannelRow]:
        """Every channel and scaling, in order of first appearance, the tail counted."""
        with self._snapshot() as connection:
            found = connection.execute(
                'SELECT id, name, scaling, scale, "offset", unit, first_ms, last_ms, samples '
                "FROM channel ORDER BY id"
            ).fetchall()
            tail = {column.channel: column for column in self._tail(connection).columns}
        return [_channel_row(row, tail.get(row["id"])) for row in found]

    def series(self, channel: str, start_ms: int, end_ms: int) -> list[Series]:
        """Readings with ``start < t <= end``, one series a scaling, empty ones left out."""
        with self._snapshot() as connection, self._noting_damage() as damaged:
            scalings = _scalings(connection, channel)
            tail = self._tail(connection)
            columns = query.read_columns(connection, scalings, start_ms, end_ms, tail, damaged)
        return [
            Series(channel, scalings[column.channel], column.t_ms, column.raw) for column in columns
        ]

    def envelope(self, channel: str, start_ms: int, end_ms: int, width: int) -> Envelope:
        """Lowest, highest and mean in at most ``width`` columns over ``start < t <= end``."""
        with self._snapshot() as connection, self._noting_damage() as damaged:
            scalings = _scalings(connection, channel)
            span_ms = (start_ms, end_ms)
            tail = self._tail(connection)
            return query.read_envelope(connection, channel, scalings, span_ms, width, tail, damaged)

    def batches(self, start_ms: int = BEGINNING_MS, end_ms: int = END_MS) -> Iterator[Batch]:
        """Replay ``start < t <= end`` minute by minute, events restored.

        Between two batches nothing is held, so replay may take as long as it likes.
        """
        while start_ms < end_ms:
            with self._snapshot() as connection, self._noting_damage() as damaged:
                tail = self._tail(connection)
                found = query.read_batches(connection, start_ms, end_ms, tail, damaged)
            if not found:
                return
            yield from found
            start_ms = found[-1].upto_ms

    def stretches(self, start_ms: int, end_ms: int) -> list[int]:
        """Starts of the ten minutes that may hold readings with ``start < t <= end``."""
        with self._snapshot() as connection:
            found = connection.execute(
                "SELECT start_ms FROM chunk WHERE start_ms >= ? AND start_ms < ?",
                (start_ms // STRETCH_MS * STRETCH_MS, end_ms),
            ).fetchall()
            tail = self._tail(connection).columns
        stored = {row[0] // STRETCH_MS for row in found}
        stored.update(*((column.t_ms - 1) // STRETCH_MS for column in tail))
        starts_ms = [int(stretch) * STRETCH_MS for stretch in sorted(stored)]
        return [at_ms for at_ms in starts_ms if start_ms - STRETCH_MS < at_ms < end_ms]

    # ------------------------------------------------------------ findings

    def alerts(self, link: Link | None = None, state: AlertState | None = None) -> list[AlertRow]:
        """Alerts, last evidence first."""
        found = self._rows(
            "SELECT * FROM alert WHERE (?1 IS NULL OR link = ?1) AND (?2 IS NULL OR state = ?2) "
            "ORDER BY last_ms DESC, id DESC",
            (link, state),
        )
        with self._readable():
            return [AlertRow(row["id"], rows.from_row(Alert, row)) for row in found]

    def alert(self, number: int) -> AlertRow | None:
        for row in self._rows("SELECT * FROM alert WHERE id = ?", (number,)):
            return AlertRow(row["id"], rows.from_row(Alert, row))
        return None

    def episodes(
        self, rule: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> list[Episode]:
        """Chances a rule judged that touch the span, oldest first."""
        return self._values(
            Episode,
            "SELECT * FROM episode WHERE rule = ? AND end_ms > ? AND start_ms < ? "
            "ORDER BY start_ms",
            (rule, *_span(start_ms, end_ms)),
        )

    def openings(self, start_ms: int | None = None, end_ms: int | None = None) -> list[Opening]:
        """Openings that touch the span, oldest first."""
        return self._values(
            Opening,
            "SELECT * FROM opening WHERE end_ms > ? AND start_ms < ? ORDER BY number",
            _span(start_ms, end_ms),
        )

    def trips(self) -> list[Trip]:
        return self._values(Trip, "SELECT * FROM trip ORDER BY number")

    def verdict(self) -> dict[str, Any] | None:
        """The last verdict as pages and ``judge --json`` show it, None before the first."""
        verdict = self.last_verdict()
        if verdict is None:
            return None
        times = self.wall_times()
        return verdict_form(verdict, lambda t_ms: times.wall_ms(t_ms)[0])

    def last_verdict(self) -> Verdict | None:
        """The last verdict as the value it was, in log time."""
        plain = self.state("verdict")
        verdict: Verdict | None = None if plain is None else from_plain(Verdict, plain)
        return verdict

    # ------------------------------------------------------------ events and remarks

    def codes(self) -> list[CodeRow]:
        """Trouble codes ever seen, last seen first."""
        found = self._rows(
            "SELECT unit, code, status, min(t_ms), max(t_ms), count(*) FROM code "
            "GROUP BY unit, code, status ORDER BY max(t_ms) DESC, code"
        )
        return [CodeRow(row[0], row[1], CodeStatus(row[2]), *row[3:]) for row in found]

    def code_looks(self) -> list[CodesRead]:
        """The last completed look of each control unit and kind."""
        return self._values(
            CodesRead,
            "SELECT unit, status, count, max(t_ms) AS t_ms FROM code_look GROUP BY unit, status",
        )

    def codes_seen(self, start_ms: int | None = None, end_ms: int | None = None) -> list[CodeSeen]:
        return self._values(
            CodeSeen,
            "SELECT * FROM code WHERE t_ms > ? AND t_ms <= ? ORDER BY t_ms, id",
            _span(start_ms, end_ms),
        )

    def looks(self, start_ms: int | None = None, end_ms: int | None = None) -> list[CodesRead]:
        """Every completed look for codes with ``start < t <= end``, also those that found none."""
        return self._values(
            CodesRead,
            "SELECT * FROM code_look WHERE t_ms > ? AND t_ms <= ? ORDER BY t_ms, id",
            _span(start_ms, end_ms),
        )

    def identities(self) -> list[Identity]:
        """What each control unit and adapter last said of itself."""
        return self._values(
            Identity,
            "SELECT unit, key, value, max(t_ms) AS t_ms FROM identity GROUP BY unit, key",
        )

    def statuses(
        self, start_ms: int | None = None, end_ms: int | None = None
    ) -> list[SourceStatus]:
        return self._values(
            SourceStatus,
            "SELECT * FROM source_status WHERE t_ms > ? AND t_ms <= ? ORDER BY t_ms, id",
            _span(start_ms, end_ms),
        )

    def marks(self) -> list[Mark]:
        return self._values(Mark, "SELECT * FROM mark ORDER BY t_ms, id")

    def gaps(self) -> list[Gap]:
        """Recorded gaps, and minutes this reader found damaged so far."""
        kept: list[Gap] = self._values(Gap, "SELECT * FROM gap")
        return sorted(kept + self._damage(), key=lambda gap: gap.start_ms)

    # ------------------------------------------------------------ the archive itself

    def anchors(self) -> list[Anchor]:
        return self._values(Anchor, "SELECT * FROM anchor ORDER BY t_ms, id")

    def boots(self) -> list[BootRow]:
        found = self._rows("SELECT id, boot_id, offset_ms, started_ms FROM boot ORDER BY id")
        return [BootRow(*row) for row in found]

    def wall_times(self) -> WallTimes:
        """For many stamps: wall time of any log time as known now."""
        with self._snapshot() as connection:
            starts_ms = [boot.started_ms for boot in self.boots()]
            return WallTimes(starts_ms, self.anchors(), _boot_ends(connection, starts_ms))

    def wall_ms(self, t_ms: int) -> tuple[int, bool]:
        """Unix time in ms of a log time, and whether it can be trusted."""
        return self.wall_times().wall_ms(t_ms)

    def state(self, name: str) -> Any:
        """The JSON value kept under a name, None if there is none."""
        with self._snapshot() as connection:
            stored = rows.ring_done(connection).number
            for record in reversed(self._thread.records):
                if record.number > stored and name in record.states:
                    return json.loads(record.states[name])
            found = connection.execute("SELECT value FROM state WHERE name = ?", (name,)).fetchone()
            return None if found is None else json.loads(found[0])

    def span(self) -> tuple[int, int] | None:
        """First and last stamp of all readings, None without any."""
        known = [row for row in self.channels() if row.first_ms is not None]
        if not known:
            return None
        first = min(row.first_ms for row in known if row.first_ms is not None)
        return first, max(row.last_ms for row in known if row.last_ms is not None)

    def size(self) -> dict[str, int | float | None]:
        """``bytes`` on disk, its log included, ``samples``, ``chunks``, ``bytes_per_sample``."""
        files = [self._path, self._path.with_name(f"{self._path.name}-wal")]
        size_bytes = sum(file.stat().st_size for file in files if file.exists())
        samples = sum(row.samples for row in self.channels())
        chunks = self._rows("SELECT count(start_ms) FROM chunk")[0][0]
        ratio = size_bytes / samples if samples else None
        return {
            "bytes": size_bytes,
            "samples": samples,
            "chunks": chunks,
            "bytes_per_sample": ratio,
        }

    def data_version(self) -> int:
        """A number that changes when the writer has committed; the same for all threads."""
        with self._watch_lock, self._readable():
            version = int(self._watch.execute("PRAGMA data_version").fetchone()[0])
        records = self._ring.look(self._salt)
        return version << 40 | (records[-1].number if records else 0)

    def check(self) -> list[Gap]:
        """Decode every stored minute; what is damaged. Reads the whole archive."""
        with self._snapshot() as connection, self._noting_damage() as damaged:
            found = readings.chunk_rows(connection, BEGINNING_MS, END_MS)
            counts: Counter[int] = Counter()
            for column in readings.decoded(found, None, damaged):
                counts[column.channel] += len(column.t_ms)
            damaged += [
                record.chunk
                for record in self._thread.records
                if record.chunk.samples and not record.columns()
            ]
            problems = connection.execute("PRAGMA integrity_check").fetchall()
            broken = [Gap(0, 0, f"file: {row[0]}") for row in problems if row[0] != "ok"]
            broken += [Gap(0, 0, text) for text in rows.damaged(connection)]
            if not damaged:
                broken += [Gap(0, 0, text) for text in _wrong_counts(connection, counts)]
        if self._ring.unreadable:
            text = f"ring: {self._ring.unreadable} blocks were cut off while written, or damaged"
            broken.append(Gap(0, 0, text))
        return self._damage() + broken

    def close(self) -> None:
        """Close this thread's connection and the shared one."""
        with self._watch_lock:
            self._watch.close()
        self.release()

    def release(self) -> None:
        """Close this thread's connection, with its 2 MB of pages; the next question opens one.

        For a server with many threads that each ask seldom.
        """
        if hasattr(self._thread, "connection"):
            self._thread.connection.close()
            del self._thread.connection

    def __enter__(self) -> ArchiveReader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------ inside

    def _connection(self) -> sqlite3.Connection:
        if not hasattr(self._thread, "connection"):
            connection = open_reader(self._path)
            connection.row_factory = sqlite3.Row
            self._thread.connection = connection
        return self._thread.connection  # type: ignore[no-any-return]

    @contextmanager
    def _readable(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, ValueError, TypeError, KeyError, AttributeError) as trouble:
            # A word or number that no value of ours can be is damage like any other.
            raise cannot_read(self._path, trouble) from trouble

    @contextmanager
    def _snapshot(self) -> Iterator[sqlite3.Connection]:
        """One state of the archive for several statements; may be nested."""
        with self._readable():
            connection = self._connection()
            if connection.in_transaction:
                yield connection
                return
            # The ring first: what leaves it for a chunk after this look is in the snapshot.
            self._thread.records = self._ring.look(self._salt)
            connection.execute("BEGIN")
            try:
                yield connection
            finally:
                connection.execute("ROLLBACK")
                self._thread.records = ()

    def _tail(self, connection: sqlite3.Connection) -> Tail:
        """Readings in no chunk of the snapshot that is open."""
        records: tuple[Record, ...] = self._thread.records
        return self._ring.tail(records, rows.ring_done(connection)) if records else Tail()

    def _rows(self, sql: str, parameters: tuple[Any, ...] = ()) -> list[sqlite3.Row]:
        with self._readable():
            return self._connection().execute(sql, parameters).fetchall()

    def _values(self, kind: Any, sql: str, parameters: tuple[Any, ...] = ()) -> list[Any]:
        with self._readable():
            return [rows.from_row(kind, row) for row in self._rows(sql, parameters)]

    @contextmanager
    def _noting_damage(self) -> Iterator[list[Chunk]]:
        damaged: list[Chunk] = []
        yield damaged
        self._damaged |= {(chunk.start_ms, chunk.end_ms) for chunk in damaged}

    def _damage(self) -> list[Gap]:
        return [Gap(start_ms, end_ms, DAMAGED) for start_ms, end_ms in sorted(self._damaged)]


def _scalings(connection: sqlite3.Connection, channel: str) -> dict[int, Scaling]:
    found = query.read_channels(connection, channel)
    return {number: scaling for number, (_, scaling) in found.items()}


def _wrong_counts(connection: sqlite3.Connection, counts: Counter[int]) -> Iterator[str]:
    """What table channel says of its chunks, where that is not so."""
    for number, samples in connection.execute("SELECT id, samples FROM channel").fetchall():
        if samples != counts[number]:
            yield f"table channel, id {number}: says {samples} readings, has {counts[number]}"


def _boot_ends(connection: sqlite3.Connection, starts_ms: list[int]) -> list[int | None]:
    """The last stored log time before each next boot; None for the last."""
    told = connection.execute("SELECT before_ms FROM boot ORDER BY id").fetchall()
    ends_ms: list[int | None] = []
    for (start_ms, next_ms), (before_ms,) in zip(pairwise(starts_ms), told[1:], strict=True):
        if before_ms is None:  # a boot of a format before 7
            before_ms = _last_before(connection, next_ms)
        ends_ms.append(min(max(before_ms or start_ms, start_ms), next_ms))
    return [*ends_ms, *([None] if starts_ms else [])]


def _last_before(connection: sqlite3.Connection, t_ms: int) -> int | None:
    found = connection.execute(
        "SELECT max(t) FROM (SELECT end_ms AS t FROM (SELECT end_ms FROM chunk "
        "WHERE start_ms < ?1 ORDER BY start_ms DESC LIMIT 1) "
        "UNION ALL SELECT max(t_ms) FROM anchor WHERE t_ms < ?1)",
        (t_ms,),
    ).fetchone()
    return None if found[0] is None else int(found[0])


def _channel_row(row: sqlite3.Row, tail: Column | None) -> ChannelRow:
    scaling = Scaling(row["scaling"], row["scale"], row["offset"], row["unit"])
    first_ms, last_ms, samples = row["first_ms"], row["last_ms"], row["samples"]
    if tail is not None:
        ends_ms = [int(tail.t_ms[0]), int(tail.t_ms[-1])]
        known_ms = [t_ms for t_ms in (first_ms, last_ms) if t_ms is not None]
        first_ms, last_ms = min(ends_ms + known_ms), max(ends_ms + known_ms)
        samples += len(tail.t_ms)
    return ChannelRow(row["id"], row["name"], scaling, first_ms, last_ms, samples)


def _span(start_ms: int | None, end_ms: int | None) -> tuple[int, int]:
    return (
        BEGINNING_MS if start_ms is None else start_ms,
        END_MS if end_ms is None else end_ms,
    )
