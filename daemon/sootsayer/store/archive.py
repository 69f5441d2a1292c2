"""The one writer of an archive. Nothing else in the program changes the file.

``append`` and the like only remember; ``commit`` makes all of it durable in one transaction:
readings of the minute that is still running go to the tail, a finished minute becomes one chunk
and its tail goes, ten finished minutes become one. When a commit fails nothing is forgotten and
the next one tries again.
"""

from __future__ import annotations

import fcntl
import json
import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

from sootsayer.model import (
    Alert,
    Anchor,
    Batch,
    Changes,
    Episode,
    Gap,
    Mark,
    Opening,
    Scaling,
    SootsayerError,
    Trip,
    Verdict,
)
from sootsayer.store import readings, rows
from sootsayer.store.chunk import CHUNK_MS, STRETCH_MS, Chunk, Column
from sootsayer.store.level import HOUR_MS
from sootsayer.store.minutes import Gathered, cut, merge
from sootsayer.store.plain import to_plain
from sootsayer.store.schema import cannot_write, open_writer

BUFFER_MAX_SAMPLES = 1_000_000  # 16 MB, over an hour at 240 readings a second, when the disk fails
VERDICT_STATE = "verdict"
LAST_EVENT = """
    SELECT max(number) FROM (
        SELECT max(id) AS number FROM code UNION ALL SELECT max(id) FROM code_look
        UNION ALL SELECT max(id) FROM identity UNION ALL SELECT max(id) FROM source_status)
"""
LAST_STORED = """
    SELECT max(t) FROM (
        SELECT max(last_ms) AS t FROM channel UNION ALL SELECT max(end_ms) FROM tail
        UNION ALL SELECT end_ms FROM (SELECT end_ms FROM chunk ORDER BY id DESC LIMIT 1)
        UNION ALL SELECT max(t_ms) FROM anchor UNION ALL SELECT max(end_ms) FROM gap
        UNION ALL SELECT max(t_ms) FROM mark UNION ALL SELECT max(t_ms) FROM source_status
        UNION ALL SELECT max(t_ms) FROM identity UNION ALL SELECT max(t_ms) FROM code_look
        UNION ALL SELECT max(t_ms) FROM code)
"""


@dataclass(slots=True)
class Waiting:
    """All but readings that the next commit will write. Later findings replace earlier ones."""

    channels: list[tuple[int, str, Scaling]] = field(default_factory=list)
    events: list[tuple[int, rows.Event]] = field(default_factory=list)
    anchors: list[Anchor] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    alerts: dict[tuple[str, int, str], Alert] = field(default_factory=dict)
    episodes: dict[tuple[str, int], Episode] = field(default_factory=dict)
    trips: dict[int, Trip] = field(default_factory=dict)
    openings: dict[int, Opening] = field(default_factory=dict)
    states: dict[str, str] = field(default_factory=dict)
    verdict: Verdict | None = None

    def anything(self) -> bool:
        return any(getattr(self, name) for name in self.__slots__)


class Archive:
    """Writes readings, findings and remarks. One per file; safe to use from several threads."""

    def __init__(self, path: Path, connection: sqlite3.Connection, lock_file: TextIO) -> None:
        """Use :meth:`open`."""
        self._path = path
        self._connection = connection
        self._lock_file = lock_file
        self._lock = threading.RLock()
        self._boot: int | None = None
        self._waiting = Waiting()
        self._fresh = Gathered()  # in no file yet
        self._kept = Gathered()  # in the tail
        self._failed = False
        self._channels = readings.known_channels(connection)
        self._next_event = 1 + self._number(LAST_EVENT)
        self._upto_ms = self._number(LAST_STORED)
        self._stretches = readings.unjoined_stretches(connection)
        self._hours = readings.hours_without_level(connection)
        self._oldest_ms: int | None = None  # of what is in no chunk
        self._read_tail()

    @classmethod
    def open(cls, path: Path) -> Archive:
        """Create, migrate or continue the archive at ``path``.

        Raises SootsayerError if the file is not ours, is newer, cannot be written or has
        another writer. Readings of the unfinished minute of a recorder that was killed are
        taken up again.
        """
        lock_file = _lock_out_others(path)
        try:
            connection = open_writer(path)
        except SootsayerError:
            lock_file.close()
            raise
        try:
            return cls(path, connection, lock_file)
        except sqlite3.Error as trouble:
            connection.close()
            lock_file.close()
            raise cannot_write(path, trouble) from trouble

    @property
    def path(self) -> Path:
        return self._path

    @property
    def upto_ms(self) -> int:
        """Log time up to which everything has been handed over; 0 when new."""
        return self._upto_ms

    @property
    def waiting_samples(self) -> int:
        """Readings that the next commit will make durable."""
        return self._fresh.samples

    # ------------------------------------------------------------ what is remembered

    def begin_boot(
        self, boot_id: str, boottime_ms: int, wall_ms: int, trusted: bool, source: str = "system"
    ) -> int:
        """The offset that makes boot time log time; log time ascends over the archive's life.

        A boot that is known keeps its offset. A new one gets the wall clock's, if that is later
        than all that is stored, else the first millisecond after. Durable on return. Raises
        SootsayerError if it cannot be stored.
        """
        with self._lock, self._transaction() as connection:
            last_ms = max(self._number(LAST_STORED), self._upto_ms)
            known = connection.execute(
                "SELECT id, offset_ms FROM boot WHERE boot_id = ? ORDER BY id DESC", (boot_id,)
            ).fetchone()
            if known and boottime_ms + known[1] >= last_ms:
                self._boot, offset_ms = known
            else:
                offset_ms = max(wall_ms, last_ms + 1) - boottime_ms
                self._boot = connection.execute(
                    "INSERT INTO boot (boot_id, boottime_ms, offset_ms, started_ms) "
                    "VALUES (?, ?, ?, ?)",
                    (boot_id, boottime_ms, offset_ms, boottime_ms + offset_ms),
                ).lastrowid
            t_ms = boottime_ms + offset_ms
            rows.put_anchor(connection, Anchor(t_ms, wall_ms, trusted, source), self._boot)
        return int(offset_ms)

    def append(self, batch: Batch) -> None:
        """Readings and events of one batch."""
        with self._lock:
            for series in batch.series:
                if len(series.t_ms):
                    channel = self._channel(series.channel, series.scaling)
                    self._gather(Column(channel, series.t_ms, series.raw), self._fresh)
            for event in batch.events:
                self._waiting.events.append((self._next_event, event))
                self._next_event += 1
            self._upto_ms = max(self._upto_ms, batch.upto_ms)
            self._drop_what_cannot_be_kept()

    def apply(self, changes: Changes) -> None:
        """What the pipeline found in the readings appended so far."""
        with self._lock:
            waiting = self._waiting
            waiting.alerts.update({(a.rule, a.first_ms, a.title): a for a in changes.alerts})
            waiting.episodes.update({(e.rule, e.start_ms): e for e in changes.episodes})
            waiting.trips.update({trip.number: trip for trip in changes.trips})
            waiting.openings.update({opening.number: opening for opening in changes.openings})
            waiting.verdict = changes.verdict or waiting.verdict

    def anchor(self, anchor: Anchor) -> None:
        """What the wall clock said; a later trusted one corrects the whole boot."""
        with self._lock:
            self._waiting.anchors.append(anchor)

    def mark(self, mark: Mark) -> None:
        with self._lock:
            self._waiting.marks.append(mark)

    def gap(self, gap: Gap) -> None:
        """A stretch without readings. The same start and reason again: it grew."""
        with self._lock:
            self._waiting.gaps.append(gap)

    def put_state(self, name: str, value: Any) -> None:
        """Remember a JSON value under a name, in the same transaction as the readings."""
        with self._lock:
            self._waiting.states[name] = json.dumps(value, ensure_ascii=False)

    # ------------------------------------------------------------ what is made durable

    def commit(self) -> None:
        """Make everything durable in one transaction; nothing to do costs nothing.

        Raises SootsayerError when the disk refuses; all is kept for the next try.
        """
        with self._lock:
            done_ms = self._upto_ms // CHUNK_MS * CHUNK_MS
            due = self._oldest_ms is not None and self._oldest_ms <= done_ms
            self._commit(done_ms if due else None)

    def close(self) -> None:
        """Commit, the unfinished minute as a chunk, and let go of the file.

        Raises SootsayerError if that cannot be stored; the file is let go of all the same.
        """
        with self._lock:
            try:
                if self._oldest_ms is not None:
                    newest = (int(column.t_ms[-1]) for column in merge(self._kept, self._fresh))
                    self._upto_ms = max(self._upto_ms, *newest)
                self._commit(self._upto_ms if self._oldest_ms is not None else None)
                self._tidy_log()
            finally:
                self._connection.close()
                self._lock_file.close()

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _commit(self, close_upto_ms: int | None) -> None:
        """Finished minutes up to ``close_upto_ms`` as chunks, or else fresh readings as tail."""
        if not self._fresh.samples and not self._waiting.anything() and close_upto_ms is None:
            return
        try:
            if close_upto_ms is None:
                self._commit_tail()
            else:
                self._commit_minutes(close_upto_ms)
        except SootsayerError:
            self._failed = True
            raise
        self._failed = False
        self._fresh = Gathered()
        self._waiting = Waiting()

    def _tidy_log(self) -> None:
        """Everything into the file itself, so that who copies it then has it all."""
        try:
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        except sqlite3.Error as trouble:
            raise cannot_write(self._path, trouble) from trouble

    def _commit_tail(self) -> None:
        with self._transaction() as connection:
            self._write_waiting(connection)
            readings.write_tail(connection, merge(self._fresh), self._upto_ms)
        self._kept.extend(self._fresh.all())

    def _commit_minutes(self, upto_ms: int) -> None:
        done, later = cut(merge(self._kept, self._fresh), upto_ms)
        with self._transaction() as connection:
            self._write_waiting(connection)
            stretches = self._stretches | readings.write_chunks(connection, done, upto_ms)
            hours = self._hours | {stretch // HOUR_MS * HOUR_MS for stretch in stretches}
            readings.count_readings(connection, done)
            joined = {stretch for stretch in stretches if stretch + STRETCH_MS <= upto_ms}
            for stretch in joined:
                readings.join_chunks(connection, stretch)
            levelled = {hour for hour in hours if hour + HOUR_MS <= upto_ms}
            for hour in levelled:
                readings.write_level(connection, hour)
            connection.execute("DELETE FROM tail")
            readings.write_tail(connection, later, self._upto_ms)
        self._stretches = stretches - joined
        self._hours = hours - levelled
        self._kept = Gathered()
        self._kept.extend(later)
        self._oldest_ms = min((int(column.t_ms[0]) for column in later), default=None)

    def _write_waiting(self, connection: sqlite3.Connection) -> None:
        waiting = self._waiting
        for number, name, scaling in waiting.channels:
            readings.add_channel(connection, number, name, scaling)
        for number, event in waiting.events:
            rows.put_event(connection, number, event)
        for anchor in waiting.anchors:
            rows.put_anchor(connection, anchor, self._boot)
        for mark in waiting.marks:
            rows.put_mark(connection, mark)
        for gap in waiting.gaps:
            rows.put_gap(connection, gap)
        rows.put_alerts(connection, waiting.alerts.values())
        rows.put_episodes(connection, waiting.episodes.values())
        rows.put_trips(connection, waiting.trips.values())
        rows.put_openings(connection, waiting.openings.values())
        if waiting.verdict is not None:
            rows.put_state(connection, VERDICT_STATE, json.dumps(to_plain(waiting.verdict)))
        for name, text in waiting.states.items():
            rows.put_state(connection, name, text)

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        connection = self._connection
        try:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                connection.execute("COMMIT")
            finally:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
        except sqlite3.Error as trouble:
            raise cannot_write(self._path, trouble) from trouble

    # ------------------------------------------------------------ readings in memory

    def _channel(self, name: str, scaling: Scaling) -> int:
        number = self._channels.get((name, scaling))
        if number is None:
            number = 1 + max(self._channels.values(), default=0)
            self._channels[name, scaling] = number
            self._waiting.channels.append((number, name, scaling))
        return number

    def _gather(self, column: Column, into: Gathered) -> None:
        into.add(column)
        first_ms = int(column.t_ms.min())
        self._oldest_ms = first_ms if self._oldest_ms is None else min(self._oldest_ms, first_ms)

    def _read_tail(self) -> None:
        """Take up the unfinished minute of a recorder that was cut off."""
        damaged: list[Chunk] = []
        found = readings.tail_rows(self._connection)
        for column in readings.decoded(found, None, damaged):
            self._gather(column, self._kept)
        for chunk in damaged:
            self.gap(Gap(chunk.start_ms, chunk.end_ms, "stored readings are damaged"))

    def _drop_what_cannot_be_kept(self) -> None:
        """Memory is finite: when the disk keeps refusing, the oldest readings become a gap."""
        if not self._failed or self._fresh.samples <= BUFFER_MAX_SAMPLES:
            return
        columns = merge(self._fresh)
        first_ms = min(int(column.t_ms[0]) for column in columns)
        last_ms = max(int(column.t_ms[-1]) for column in columns)
        middle_ms = (first_ms + last_ms) // 2
        self._fresh = Gathered()
        self._fresh.extend(cut(columns, middle_ms)[1])
        self.gap(Gap(first_ms - 1, middle_ms, "the disk refused, readings were dropped"))

    def _number(self, sql: str) -> int:
        return int(self._connection.execute(sql).fetchone()[0] or 0)


def _lock_out_others(path: Path) -> TextIO:
    """Hold the side file ``NAME.lock``; the kernel lets go of it when the process ends."""
    lock_path = path.with_name(f"{path.name}.lock")
    try:
        lock_file = lock_path.open("a+", encoding="ascii")
    except OSError as trouble:
        raise cannot_write(path, trouble) from trouble
    try:
        fcntl.flock(lock_file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as trouble:
        lock_file.seek(0)
        holder = lock_file.read().strip() or "unknown"
        lock_file.close()
        raise SootsayerError(
            f"archive {path}: process {holder} is recording into it; stop that one first or "
            "name another file"
        ) from trouble
    lock_file.truncate(0)
    lock_file.write(f"{os.getpid()}\n")
    lock_file.flush()
    return lock_file
