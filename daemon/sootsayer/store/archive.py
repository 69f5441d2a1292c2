"""The one writer of an archive. Nothing else in the program changes the file.

``append`` and the like only remember; ``commit`` makes all of it durable. Readings go to the ring
beside the file, one block and one flush a commit; findings and remarks go to their tables in one
transaction after them, so that nothing found is ever newer than the readings it rests on. When
ten minutes are over their readings become one chunk. When a commit fails nothing is forgotten and
the next one tries again; without a ring every commit makes chunks.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO

from sootsayer.model import Anchor, Batch, Changes, Gap, Mark, Scaling, SootsayerError
from sootsayer.store import booting, readings, rows
from sootsayer.store.booting import LAST_EVENT, LAST_STORED, Boot, boot_of
from sootsayer.store.chunk import CHUNK_MS, STRETCH_MS, Column
from sootsayer.store.device_key import DeviceKey, sign_head
from sootsayer.store.level import HOUR_MS
from sootsayer.store.lock import lock_out_others
from sootsayer.store.plain import to_plain
from sootsayer.store.retention import MB, Policy, Tidied, give_back, is_short, tidy
from sootsayer.store.ring import Done, RingFile
from sootsayer.store.schema import cannot_write, open_writer
from sootsayer.store.unchunked import Unchunked
from sootsayer.store.waiting import Waiting

VERDICT_STATE = "verdict"
# Small and often new: they ride with the readings.
LIGHT_STATES = frozenset({"health", "store", VERDICT_STATE})


class Archive:
    """Writes readings, findings and remarks. One per file; safe to use from several threads."""

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        lock_file: TextIO,
        key: DeviceKey | None = None,
        open_ring: Callable[[Path], RingFile] = RingFile,
    ) -> None:
        """Use :meth:`open`."""
        self._path = path
        self._connection = connection
        self._lock_file = lock_file
        self._key = key
        self._lock = threading.RLock()
        self._boot: int | None = None
        self._waiting = Waiting()
        self._failed = False
        self._channels = readings.known_channels(connection)
        self._next_event = 1 + booting.number(connection, LAST_EVENT)
        self._upto_ms = booting.number(connection, LAST_STORED)
        self._stretches = readings.unjoined_stretches(connection)
        self._hours = readings.hours_without_level(connection)
        self._unchunked = Unchunked(path, rows.ring_done(connection), self._upto_ms, open_ring)
        for gap in self._unchunked.take_up():
            self.gap(gap)
        self._upto_ms = max(self._upto_ms, self._unchunked.recorded_ms)

    @classmethod
    def open(
        cls,
        path: Path,
        key: DeviceKey | None = None,
        open_ring: Callable[[Path], RingFile] = RingFile,
    ) -> Archive:
        """Create, migrate or continue the archive at ``path``.

        With a ``key`` the chain is signed at the end of a trip and at the close. Raises
        SootsayerError if the file is not ours, is newer, cannot be written or has another
        writer. What a recorder that was killed left in the ring is taken up again.
        """
        lock_file = lock_out_others(path)
        try:
            connection = open_writer(path)
        except SootsayerError:
            lock_file.close()
            raise
        try:
            return cls(path, connection, lock_file, key, open_ring)
        except (sqlite3.Error, OSError, ValueError) as trouble:
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
        return self._unchunked.fresh_samples

    # ------------------------------------------------------------ what is remembered

    def begin_boot(
        self,
        boot_id: str,
        boottime_ms: int,
        wall_ms: int,
        trusted: bool,
        source: str = "system",
        offset_ms: int | None = None,
    ) -> int:
        """The offset that makes boot time log time; log time ascends over the archive's life.

        A boot that is known keeps its offset. A new one gets the wall clock's, if that is later
        than all that is stored, else the first millisecond after; ``offset_ms`` is the one that
        this boot has been given already. Durable with the next commit, so that a disk that
        refuses at the start does not keep the recorder from reading. Raises SootsayerError if
        ``offset_ms`` would take log time back.
        """
        with self._lock:
            last_ms = max(booting.number(self._connection, LAST_STORED), self._upto_ms)
            boot = boot_of(self._connection, boot_id, boottime_ms, wall_ms, last_ms)
            if offset_ms is not None and offset_ms != boot.offset_ms:
                if boottime_ms + offset_ms <= last_ms:
                    raise SootsayerError(
                        f"archive {self._path}: another recorder has written into it meanwhile; "
                        "restart this one"
                    )
                boot = Boot(None, offset_ms)
            if boot.number is not None:
                self._boot = boot.number
            else:
                stored = booting.number(self._connection, "SELECT max(id) FROM boot")
                self._boot = 1 + max([stored, *(row[0] for row in self._waiting.boots)])
                started_ms = boottime_ms + boot.offset_ms
                row = (self._boot, boot_id, boottime_ms, boot.offset_ms, started_ms, last_ms)
                self._waiting.boots.append(row)
            t_ms = boottime_ms + boot.offset_ms
            self.anchor(Anchor(t_ms, wall_ms, trusted, source))
            self._upto_ms = max(self._upto_ms, t_ms)
        return boot.offset_ms

    def append(self, batch: Batch) -> None:
        """Readings and events of one batch."""
        with self._lock:
            for series in batch.series:
                if len(series.t_ms):
                    channel = self._channel(series.channel, series.scaling)
                    self._unchunked.add(Column(channel, series.t_ms, series.raw))
            for event in batch.events:
                self._waiting.events.append((self._next_event, event))
                self._next_event += 1
            self._upto_ms = max(self._upto_ms, batch.upto_ms)
            if self._failed and (gap := self._unchunked.drop_oldest()) is not None:
                self.gap(gap)

    def apply(self, changes: Changes) -> None:
        """What the pipeline found in the readings appended so far."""
        with self._lock:
            self._waiting.find(changes)
            if changes.verdict is not None:
                self.put_state(VERDICT_STATE, to_plain(changes.verdict))

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
        """Remember a JSON value under a name, durable with the readings of the same commit."""
        with self._lock:
            light = name in LIGHT_STATES
            states = self._unchunked.light if light else self._waiting.states
            states[name] = json.dumps(value, ensure_ascii=False)

    # ------------------------------------------------------------ what is made durable

    def commit(self) -> None:
        """Make everything durable; nothing to do costs nothing.

        Raises SootsayerError when the disk refuses; all is kept for the next try. What went to
        the ring before the tables refused is durable all the same.
        """
        with self._lock:
            self._commit(self._due_ms())

    def close(self) -> None:
        """Commit, the unfinished ten minutes as chunks, sign, and let go of the file.

        Raises SootsayerError if that cannot be stored; the file is let go of all the same, and
        the ring stays beside it.
        """
        with self._lock:
            try:
                self._commit(self._end_ms(), sign=True)
                self._tidy_log()
                self._unchunked.remove_ring()
            finally:
                self._connection.close()
                self._unchunked.close()
                self._lock_file.close()

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def hold(self, start_ms: int, end_ms: int, reason: str) -> None:
        """Never remove readings of this span: something outside refers to them. Durable."""
        with self._lock, self._transaction() as connection:
            span = {"start_ms": start_ms, "end_ms": end_ms, "reason": reason}
            rows.insert(connection, "held", span)

    def tidy(self, policy: Policy, now_ms: int, free_bytes: int) -> Tidied:
        """Remove a little of what the policy lets go of; to be called again until nothing is.

        ``free_bytes``: what the disk has left. Raises SootsayerError when the disk refuses.
        """
        with self._lock:
            short = is_short(self._connection, policy, free_bytes)
            with self._transaction() as connection:
                tidied = tidy(connection, policy, now_ms, short)
            if short and free_bytes < policy.least_free_mb * MB:
                self._give_back()
            return tidied

    def _give_back(self) -> None:
        try:
            give_back(self._connection)
        except sqlite3.Error as trouble:
            raise cannot_write(self._path, trouble) from trouble

    def _due_ms(self) -> int | None:
        """Up to where readings must become chunks with this commit, None if they need not."""
        if self._key is not None and self._waiting.trip_ended():
            return self._end_ms()
        crowded = self._unchunked.is_crowded()
        whole_ms = CHUNK_MS if crowded else STRETCH_MS
        finished_ms = self._upto_ms // whole_ms * whole_ms
        oldest_ms = self._unchunked.oldest_ms
        if oldest_ms is not None and oldest_ms <= finished_ms:
            return finished_ms
        return self._end_ms() if crowded else None

    def _end_ms(self) -> int:
        """All readings are up to here, also those that came before their time."""
        return max(self._upto_ms, self._unchunked.newest_ms)

    def _commit(self, flush_ms: int | None, sign: bool = False) -> None:
        """Readings to the ring, or those up to ``flush_ms`` to chunks; the rest to tables."""
        try:
            if (flush_ms is None or flush_ms < self._end_ms()) and not self._to_ring():
                flush_ms = self._end_ms()
            if self._unchunked.is_empty() and not self._waiting.anything():
                flush_ms = None
            if flush_ms is not None:
                self._flush(flush_ms, sign or self._waiting.trip_ended())
            elif self._waiting.anything():
                with self._transaction() as connection:
                    self._waiting.write(connection, self._boot)
        except SootsayerError:
            self._failed = True
            raise
        self._failed = False
        self._waiting = Waiting()

    def _tidy_log(self) -> None:
        """Everything into the file itself, so that who copies it then has it all."""
        try:
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        except sqlite3.Error as trouble:
            raise cannot_write(self._path, trouble) from trouble

    def _to_ring(self) -> bool:
        """Fresh readings and light states into one record; False if there is no ring for them."""
        if not self._unchunked.needs_record():
            return True
        # A channel must be known to the tables before a record may speak of it.
        if self._waiting.channels:
            self._store_channels()
        return self._unchunked.record(self._upto_ms)

    def _store_channels(self) -> None:
        early = Waiting(channels=self._waiting.channels)
        with self._transaction() as connection:
            early.write(connection, self._boot)
        self._waiting.channels = []

    # ------------------------------------------------------------ chunks

    def _flush(self, upto_ms: int, sign: bool) -> None:
        unchunked = self._unchunked
        done, later = unchunked.ripe(upto_ms)
        ring_done = Done(
            unchunked.done.salt, unchunked.number, max(upto_ms, unchunked.done.upto_ms)
        )
        with self._transaction() as connection:
            self._waiting.write(connection, self._boot)
            for name, text in (unchunked.light_kept | unchunked.light).items():
                rows.put_state(connection, name, text)
            stretches = self._stretches | readings.write_chunks(connection, done, upto_ms)
            hours = self._hours | {stretch // HOUR_MS * HOUR_MS for stretch in stretches}
            readings.count_readings(connection, done)
            joined = {stretch for stretch in stretches if stretch + STRETCH_MS <= upto_ms}
            for stretch in joined:
                readings.join_chunks(connection, stretch)
            levelled = {hour for hour in hours if hour + HOUR_MS <= upto_ms}
            for hour in levelled:
                readings.write_level(connection, hour)
            rows.put_ring_done(connection, ring_done)
            if sign and self._key is not None:
                sign_head(connection, self._key, self._upto_ms)
        self._stretches = stretches - joined
        self._hours = hours - levelled
        unchunked.chunked(ring_done, later)

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

    def _channel(self, name: str, scaling: Scaling) -> int:
        number = self._channels.get((name, scaling))
        if number is None:
            number = 1 + max(self._channels.values(), default=0)
            self._channels[name, scaling] = number
            self._waiting.channels.append((number, name, scaling))
        return number
