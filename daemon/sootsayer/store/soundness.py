"""Looks through a whole archive, a little at a time, for what is not what was written.

A reader meets a flipped bit when it is asked for the row or the minute. What lies where nobody
asks, or a bit in the trees of pages that hides a row from a question, is met here: every table's
tree and indexes by SQLite's own check, every row, minute and level by its sum.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

from sootsayer.store import ledger, rows
from sootsayer.store.chunk import is_whole
from sootsayer.store.level import crc_of
from sootsayer.store.readings import CHUNK_VALUES
from sootsayer.store.schema import cannot_read, open_reader

AT_ONCE = 200  # rows; a chunk is up to 100 kB, so 20 MB at most
PACKED = ("chunk", "level10")
CHAINED = ("ledger", "head")
Rest = Callable[[], bool]


def unsound(path: Path, rest: Rest = lambda: True) -> Iterator[str]:
    """What is wrong, in words. ``rest`` is called between two handfuls; False ends the look.

    Nothing is held open meanwhile, so the writer can tidy its log. Raises SootsayerError if the
    file cannot be read at all, which is damage too.
    """
    connection = open_reader(path)
    connection.row_factory = sqlite3.Row
    try:
        for look in (_trees, _rows, _minutes, _levels, _chain):
            for found in look(connection):
                if found:
                    yield found
                elif not rest():
                    return
    except (sqlite3.Error, ValueError, TypeError) as trouble:
        raise cannot_read(path, trouble) from trouble
    finally:
        connection.close()


def _trees(connection: sqlite3.Connection) -> Iterator[str]:
    """An empty word after each table."""
    for table in ("sqlite_schema", *rows.SUMMED, *PACKED, *CHAINED):
        for (said,) in connection.execute(f"PRAGMA integrity_check({table})").fetchall():
            if said != "ok":
                yield f"table {table}: {said}"
        yield ""


def _rows(connection: sqlite3.Connection) -> Iterator[str]:
    for table in rows.SUMMED:
        key = {"state": "name", "episode": "rule, start_ms"}.get(table, "rowid")
        for found in _handfuls(connection, table, key, "*"):
            for row in found:
                values = {name: row[name] for name in row.keys() if not name.startswith("key_")}  # noqa: SIM118
                try:
                    rows.checked(table, values)
                except rows.RowDamagedError as damage:
                    yield str(damage)
            yield ""


def _minutes(connection: sqlite3.Connection) -> Iterator[str]:
    for found in _handfuls(connection, "chunk", "rowid", CHUNK_VALUES):
        for row in found:
            values = tuple(row)[1:]
            if not is_whole(*values):
                yield f"table chunk, row {row[0]}: readings are not what was written"
        yield ""


def _levels(connection: sqlite3.Connection) -> Iterator[str]:
    for found in _handfuls(connection, "level10", "rowid", "channel, start_ms, slots, body, crc"):
        for number, *values, crc in (tuple(row) for row in found):
            if (values[-1] is None) != (crc is None) or (
                crc is not None and crc_of(*values) != crc
            ):
                yield f"table level10, row {number}: is not what was written"
        yield ""


def _chain(connection: sqlite3.Connection) -> Iterator[str]:
    """Only the links: what they say of readings is `sootsayer verify`'s to walk."""
    before = ledger.first_link(ledger.archive_id(connection))
    for count, entry in enumerate(ledger.entries(connection)):
        if entry.linked_to(before) != entry.link:
            yield f"table ledger, row {entry.id}: is not what was written"
            return
        before = entry.link
        if count % AT_ONCE == 0:
            yield ""


def _handfuls(
    connection: sqlite3.Connection, table: str, key: str, columns: str
) -> Iterator[list[sqlite3.Row]]:
    """All rows by their key, the key first as columns ``key_0`` and so on."""
    keys = key.split(", ")
    named = ", ".join(f"{name} AS key_{number}" for number, name in enumerate(keys))
    after: tuple[object, ...] = ()
    while True:
        where = f"WHERE ({key}) > ({', '.join('?' * len(keys))})" if after else ""
        found = connection.execute(
            f"SELECT {named}, {columns} FROM {table} {where} ORDER BY {key} LIMIT {AT_ONCE}", after
        ).fetchall()
        if found:
            yield found
        if len(found) < AT_ONCE:
            return
        after = tuple(found[-1][: len(keys)])
