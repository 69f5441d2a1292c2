"""Findings and remarks as rows, and rows as findings.

Every ``put`` finds its row again by the natural key, so that judging the same readings once more
after a restart changes nothing.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from sootsayer.model import (
    Alert,
    Anchor,
    CodeSeen,
    CodesRead,
    Episode,
    Gap,
    Identity,
    Mark,
    Opening,
    SourceStatus,
    Trip,
)
from sootsayer.store.chunk import compress, decompress
from sootsayer.store.plain import from_plain, to_plain
from sootsayer.store.ring import Done

Event = CodeSeen | CodesRead | Identity | SourceStatus
EVENT_TABLES: dict[type[Event], str] = {
    CodeSeen: "code",
    CodesRead: "code_look",
    Identity: "identity",
    SourceStatus: "source_status",
}
# Tables whose rows carry a sum over all their values, because SQLite itself has none.
SUMMED = (
    "boot", "anchor", "mark", "gap", "code", "code_look", "identity", "source_status",
    "alert", "episode", "trip", "opening", "state", "held", "channel",
)  # fmt: skip
TABLES: dict[type[Any], str] = {
    **EVENT_TABLES,
    Alert: "alert", Anchor: "anchor", Episode: "episode", Gap: "gap", Mark: "mark",
    Opening: "opening", Trip: "trip",
}  # fmt: skip
NAMED_BY = ("id", "number", "name", "rule")  # what tells a row of its table
UNSUMMED_COLUMNS = frozenset({"id", "crc"})
PACKED_FROM = 2_000  # characters of a state; shorter ones are left for people to read
JSON_COLUMNS = frozenset({"channels", "context", "counters"})


def put_alerts(connection: sqlite3.Connection, alerts: Iterable[Alert]) -> None:
    """Rule, first evidence and title (codes come together) name an alert; its number stays."""
    _upsert(connection, "alert", ("rule", "first_ms", "title"), alerts)


def put_episodes(connection: sqlite3.Connection, episodes: Iterable[Episode]) -> None:
    _upsert(connection, "episode", ("rule", "start_ms"), episodes)


def put_trips(connection: sqlite3.Connection, trips: Iterable[Trip]) -> None:
    _upsert(connection, "trip", ("number",), trips)


def put_openings(connection: sqlite3.Connection, openings: Iterable[Opening]) -> None:
    _upsert(connection, "opening", ("number",), openings)


def put_mark(connection: sqlite3.Connection, mark: Mark) -> None:
    _replace(connection, "mark", ("t_ms", "text", "author"), to_row(mark))


def put_gap(connection: sqlite3.Connection, gap: Gap) -> None:
    """A gap that grew replaces what was known of it."""
    _replace(connection, "gap", ("start_ms", "reason"), to_row(gap))


def put_anchor(connection: sqlite3.Connection, anchor: Anchor, boot: int | None) -> None:
    _replace(connection, "anchor", ("t_ms", "source"), {"boot": boot} | to_row(anchor))


def put_event(connection: sqlite3.Connection, number: int, event: Event) -> None:
    insert(connection, EVENT_TABLES[type(event)], {"id": number} | to_row(event))


class RowDamagedError(ValueError):
    """A row is not what was written. The text names it."""


def put_state(connection: sqlite3.Connection, name: str, text: str) -> None:
    value = compress([text.encode()]) if len(text) > PACKED_FROM else text
    connection.execute(
        "INSERT OR REPLACE INTO state (name, value, crc) VALUES (?, ?, ?)",
        (name, value, sum_of({"name": name, "value": value})),
    )


def state_text(connection: sqlite3.Connection, name: str) -> str | None:
    """The JSON kept under a name, None if there is none. Raises RowDamagedError."""
    cursor = connection.execute("SELECT * FROM state WHERE name = ?", (name,))
    found = cursor.fetchone()
    if found is None:
        return None
    row = dict(zip(("name", "value", "crc"), found, strict=True))
    checked("state", row)
    value = row["value"]
    return decompress(value).decode() if isinstance(value, bytes) else str(value)


def ring_done(connection: sqlite3.Connection) -> Done:
    """What of the ring is in chunks. Raises RowDamagedError: readings hang on it."""
    text = state_text(connection, "ring")
    if text is None:
        raise RowDamagedError("table state: the row 'ring' is gone")
    return Done(**json.loads(text))


def put_ring_done(connection: sqlite3.Connection, done: Done) -> None:
    put_state(connection, "ring", json.dumps(to_plain(done)))


def sum_of(row: Mapping[str, Any]) -> int:
    """CRC-32 of the values of a row by name, as SQLite gives them back.

    1, 1.0 and true are alike, and so are the two noughts: SQLite keeps no sign of nought.
    """
    words = [
        f"{name}={_word(value)}"
        for name, value in sorted(row.items())
        if name not in UNSUMMED_COLUMNS and value is not None
    ]
    return zlib.crc32("\x1f".join(words).encode("utf-8", "surrogatepass"))


def _word(value: Any) -> str:
    if isinstance(value, str):
        return value
    return value.hex() if isinstance(value, bytes) else repr(float(value) + 0.0)


def is_whole(row: Mapping[str, Any]) -> bool:
    try:
        return bool(sum_of(row) == row["crc"])
    except (TypeError, ValueError):
        return False


def checked(table: str, row: Mapping[str, Any]) -> None:
    """Raises RowDamagedError if it is not what was written."""
    if not is_whole(row):
        name = next((row[key] for key in NAMED_BY if key in row), "?")
        raise RowDamagedError(f"table {table}, row {name}: is not what was written")


def damaged(connection: sqlite3.Connection, tables: Iterable[str] = SUMMED) -> Iterator[str]:
    """Rows that are not what was written, by table and place in it."""
    for table in tables:
        cursor = connection.execute(f"SELECT * FROM {table}")
        names = [column[0] for column in cursor.description]
        for values in cursor.fetchall():
            try:
                checked(table, dict(zip(names, values, strict=True)))
            except RowDamagedError as damage:
                yield str(damage)


def add_sums(connection: sqlite3.Connection, table: str, missing_only: bool = False) -> None:
    """Its sum to each row of ``table``, or only to rows that have none."""
    key = {"state": "name", "episode": "rule, start_ms"}.get(table, "rowid")
    where = "WHERE crc IS NULL" if missing_only else ""
    cursor = connection.execute(f"SELECT {key}, * FROM {table} {where}")
    names = [column[0] for column in cursor.description]
    count = len(key.split(", "))
    update = f"UPDATE {table} SET crc = ? WHERE ({key}) = ({', '.join('?' * count)})"
    for values in cursor.fetchall():
        row = dict(zip(names[count:], values[count:], strict=True))
        crc = sum_of(row)
        if crc != row["crc"]:
            connection.execute(update, (crc, *values[:count]))


def to_row(value: Any) -> dict[str, Any]:
    """A frozen value as column → what SQLite takes."""
    return {
        name: json.dumps(item, ensure_ascii=False) if name in JSON_COLUMNS else item
        for name, item in to_plain(value).items()
    }


def from_row(kind: Any, row: Mapping[str, Any] | sqlite3.Row) -> Any:
    """The value of type ``kind`` from a row that may have further columns."""
    plain = {
        name: json.loads(row[name]) if name in JSON_COLUMNS else row[name]
        for name in kind.__dataclass_fields__
    }
    for flag in ("failed", "trusted", "open"):
        if flag in plain:
            plain[flag] = bool(plain[flag])
    return from_plain(kind, plain)


def _upsert(
    connection: sqlite3.Connection, table: str, key: tuple[str, ...], values: Iterable[Any]
) -> None:
    rows = [to_row(value) for value in values]
    if not rows:
        return
    rows = [row | {"crc": sum_of(row)} for row in rows]
    columns = list(rows[0])
    changed = ", ".join(f'"{name}" = excluded."{name}"' for name in columns if name not in key)
    sql = f"{_insert_sql(table, columns)} ON CONFLICT ({', '.join(key)}) DO UPDATE SET {changed}"
    connection.executemany(sql, rows)


def _replace(
    connection: sqlite3.Connection, table: str, key: tuple[str, ...], row: dict[str, Any]
) -> None:
    where = " AND ".join(f'"{name}" = :{name}' for name in key)
    connection.execute(f"DELETE FROM {table} WHERE {where}", row)
    insert(connection, table, row)


def insert(connection: sqlite3.Connection, table: str, row: dict[str, Any]) -> None:
    if table in SUMMED:
        row = row | {"crc": sum_of(row)}
    connection.execute(_insert_sql(table, row), row)


def _insert_sql(table: str, columns: Iterable[str]) -> str:
    names = ", ".join(f'"{name}"' for name in columns)
    return f"INSERT INTO {table} ({names}) VALUES ({', '.join(f':{name}' for name in columns)})"
