"""What every question to an archive rests on: connections, one state for several, and damage.

Each thread has a connection of its own, closed with the thread. Every method fetches all it
needs and leaves no cursor or transaction open, so the writer can always tidy its log.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

from sootsayer.model import Gap
from sootsayer.store import rows
from sootsayer.store.query import Damage
from sootsayer.store.ring import Record
from sootsayer.store.ring_view import RingView, Tail
from sootsayer.store.schema import cannot_read, open_reader

DAMAGED = "stored readings are damaged"


class Looking:
    """An archive opened for reading; safe to use from several threads."""

    def __init__(self, path: Path, frozen: bool = False) -> None:
        """Raises SootsayerError if there is no archive of ours.

        ``frozen``: nobody writes it, and nothing can be written beside it either.
        """
        self._path = path
        self._frozen = frozen
        self._thread = threading.local()
        self._damaged: frozenset[tuple[int, int]] = frozenset()
        self._damaged_rows: frozenset[str] = frozenset()
        self._watch_lock = threading.Lock()
        self._watch = open_reader(path, frozen)
        self._ring = RingView(path)
        with self._readable():
            self._salt = rows.ring_done(self._watch).salt

    @property
    def path(self) -> Path:
        return self._path

    def data_version(self) -> int:
        """A number that changes when the writer has committed; the same for all threads."""
        with self._watch_lock, self._readable():
            version = int(self._watch.execute("PRAGMA data_version").fetchone()[0])
        records = self._ring.look(self._salt)
        return version << 40 | (records[-1].number if records else 0)

    def damage(self) -> list[str]:
        """What this reader has met so far that is not what was written; none of it was served."""
        found = [
            f"readings from {start_ms} to {end_ms} ms: are not what was written"
            for start_ms, end_ms in sorted(self._damaged)
        ]
        if torn := self._ring.torn(self._salt):
            found.append(f"ring: {torn} blocks were cut off while written, or damaged")
        return found + sorted(self._damaged_rows)

    def state(self, name: str) -> Any:
        """The JSON value kept under a name, None if there is none or it is damaged."""
        with self._snapshot() as connection:
            stored = rows.ring_done(connection).number
            for record in reversed(self._thread.records):
                if record.number > stored and name in record.states:
                    return json.loads(record.states[name])
            try:
                text = rows.state_text(connection, name)
            except rows.RowDamagedError as damage:
                self._damaged_rows |= {str(damage)}
                return None
            return None if text is None else json.loads(text)

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

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------ for those that ask

    def _connection(self) -> sqlite3.Connection:
        if not hasattr(self._thread, "connection"):
            connection = open_reader(self._path, self._frozen)
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

    def _whole(self, table: str, sql: str, parameters: tuple[Any, ...] = ()) -> list[sqlite3.Row]:
        """Whole rows of one table; those that are not what was written are noted."""
        with self._noting_damage() as damage:
            return [row for row in self._rows(sql, parameters) if damage.passes(table, row)]

    def _values(self, kind: Any, sql: str, parameters: tuple[Any, ...] = ()) -> list[Any]:
        with self._readable():
            found = self._whole(rows.TABLES[kind], sql, parameters)
            return [rows.from_row(kind, row) for row in found]

    @contextmanager
    def _noting_damage(self) -> Iterator[Damage]:
        damage = Damage()
        yield damage
        self._damaged |= {(chunk.start_ms, chunk.end_ms) for chunk in damage.chunks}
        self._damaged_rows |= set(damage.rows)

    def _damage(self) -> list[Gap]:
        return [Gap(start_ms, end_ms, DAMAGED) for start_ms, end_ms in sorted(self._damaged)]


BEGINNING_MS = -(1 << 62)
END_MS = 1 << 62


def span_or_all(start_ms: int | None, end_ms: int | None) -> tuple[int, int]:
    return (
        BEGINNING_MS if start_ms is None else start_ms,
        END_MS if end_ms is None else end_ms,
    )
