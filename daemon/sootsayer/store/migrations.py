"""The tables, as migrations: named functions that are only ever added to.

Every table is plain: times are log time in whole milliseconds (``_ms``), states are the words of
:mod:`sootsayer.model`, lists are JSON. Only readings are packed, see :mod:`sootsayer.store.chunk`.
An empty table or index costs a page of 4 kB, as much as half a minute of readings, so small
tables have no index.

sqlite-utils is loaded only when there is something to migrate: where pandas is installed it
brings that along, which a recorder should not carry for weeks.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Callable, Collection
from typing import TYPE_CHECKING

from sootsayer.store import ledger, readings, ring
from sootsayer.store.chunk import ChunkDamagedError, decode
from sootsayer.store.level import crc_of
from sootsayer.store.rows import add_sums

if TYPE_CHECKING:
    from sqlite_utils import Database

SUMMED_FROM_7 = (
    "boot", "anchor", "mark", "gap", "code", "code_look", "identity", "source_status",
    "alert", "episode", "trip", "opening", "state", "held",
)  # fmt: skip


def m1_time(database: Database) -> None:
    """Boots with their log time, what the wall clock said, marks and gaps."""
    _table(
        database,
        "boot",
        {"id": int, "boot_id": str, "boottime_ms": int, "offset_ms": int, "started_ms": int},
    )
    _table(
        database,
        "anchor",
        {"id": int, "boot": int, "t_ms": int, "wall_ms": int, "trusted": int, "source": str},
        optional={"boot"},
        foreign_keys=[("boot", "boot", "id")],
    )
    _table(
        database,
        "mark",
        {"id": int, "t_ms": int, "text": str, "author": str},
    )
    _table(
        database,
        "gap",
        {"id": int, "start_ms": int, "end_ms": int, "reason": str},
    )


def m2_readings(database: Database) -> None:
    """Channels, minutes, the tail of the last seconds and the 10 s level for plots."""
    _table(
        database,
        "channel",
        {
            "id": int,
            "name": str,
            "scaling": str,
            "scale": float,
            "offset": float,
            "unit": str,
            "first_ms": int,
            "last_ms": int,
            "samples": int,
        },
        optional={"first_ms", "last_ms"},
    )
    for name in ("chunk", "tail"):
        _table(
            database,
            name,
            {
                "id": int,
                "start_ms": int,
                "end_ms": int,
                "samples": int,
                "codec": int,
                "crc": int,
                "body": bytes,
            },
        )
    database.table("chunk").create_index(["start_ms"])
    _table(
        database,
        "level10",
        {"id": int, "channel": int, "start_ms": int, "slots": int, "crc": int, "body": bytes},
        optional={"crc", "body"},
        foreign_keys=[("channel", "channel", "id")],
    )
    database.table("level10").create_index(["start_ms", "channel"], unique=True)


def m3_events(database: Database) -> None:
    """What the car and the sources said beside readings. Ids ascend over all four tables."""
    _table(database, "code", {"id": int, "t_ms": int, "unit": str, "code": str, "status": str})
    _table(
        database, "code_look", {"id": int, "t_ms": int, "unit": str, "status": str, "count": int}
    )
    _table(database, "identity", {"id": int, "t_ms": int, "unit": str, "key": str, "value": str})
    _table(
        database,
        "source_status",
        {"id": int, "t_ms": int, "source": str, "state": str, "reason": str, "counters": str},
    )
    database.table("source_status").create_index(["t_ms"])  # the only one with many rows


def m4_findings(database: Database) -> None:
    """What the rules found, each with the natural key by which it is found again."""
    _table(
        database,
        "alert",
        {
            "id": int,
            "rule": str,
            "first_ms": int,
            "link": str,
            "state": str,
            "raised_ms": int,
            "last_ms": int,
            "cleared_ms": int,
            "seen": int,
            "chances": int,
            "eligible_s": float,
            "measure": float,
            "limit": float,
            "unit": str,
            "title": str,
            "text": str,
            "channels": str,
            "doubt": str,
        },
        optional={"link", "cleared_ms", "measure", "limit"},
    )
    database.table("alert").create_index(["rule", "first_ms", "title"], unique=True)
    database.execute(
        "CREATE TABLE episode (rule TEXT NOT NULL, start_ms INTEGER NOT NULL, "
        "end_ms INTEGER NOT NULL, failed INTEGER NOT NULL, measure REAL, fact TEXT NOT NULL, "
        "PRIMARY KEY (rule, start_ms)) WITHOUT ROWID"
    )
    database.table("trip").create(
        {
            "number": int,
            "start_ms": int,
            "end_ms": int,
            "open": int,
            "running_s": float,
            "distance_km": float,
            "openings": int,
        },
        pk="number",
    )
    flow = ("moved_pct", "flow_g_s", "flow_sd_g_s", "due_g_s", "gas_pct", "gas_sd_pct")
    pressure = ("map_step_kpa", "map_step_sd_kpa", "map_step_due_kpa")
    database.table("opening").create(
        {"number": int, "trip": int, "start_ms": int, "end_ms": int, "asked_pct": float}
        | dict.fromkeys(flow + pressure, float)
        | {"context": str},
        pk="number",
    )


def m5_state(database: Database) -> None:
    """Named JSON values: what the pipeline remembers, the last verdict, people's answers."""
    database.execute(
        "CREATE TABLE state (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID"
    )


def m6_chain(database: Database) -> None:
    """The chain over all chunks, signed heads, spans to keep; the tail moves to a file.

    Chunks that are there already become its first entries, readings of the tail chunks.
    """
    database.execute(
        "CREATE TABLE ledger (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, "
        "start_ms INTEGER NOT NULL, end_ms INTEGER NOT NULL, samples INTEGER NOT NULL, "
        "replaces TEXT NOT NULL, why TEXT NOT NULL, content BLOB NOT NULL, link BLOB NOT NULL)"
    )
    _table(
        database,
        "head",
        {
            "id": int,
            "t_ms": int,
            "entry": int,
            "link": bytes,
            "public_key": bytes,
            "signature": bytes,
        },
    )
    _table(database, "held", {"id": int, "start_ms": int, "end_ms": int, "reason": str})
    database.execute("DROP INDEX IF EXISTS idx_alert_rule_first_ms")
    database.table("alert").create_index(
        ["rule", "first_ms", "title"], unique=True, if_not_exists=True
    )
    connection = database.conn
    for name, value in (
        ("archive", {"id": ledger.new_archive_id()}),
        ("ring", {"salt": ring.new_salt(), "number": 0, "upto_ms": -ring.EVERYTHING_MS}),
    ):
        connection.execute("INSERT INTO state VALUES (?, ?)", (name, json.dumps(value)))
    _enter_chunks(connection)
    readings.move_tail(connection)
    connection.execute("DROP TABLE tail")


def _enter_chunks(connection: sqlite3.Connection) -> None:
    """Ids stay; a chunk that is damaged already is entered as holding nothing."""
    meaning = ledger.definitions(connection)
    _, link = ledger.last(connection)
    ids = connection.execute("SELECT id FROM chunk ORDER BY id").fetchall()
    for (number,) in ids:
        chunk = readings.chunk_by_id(connection, number)
        try:
            content = ledger.content_of(decode(chunk), meaning)
        except ChunkDamagedError:
            content = ledger.NOTHING
        entry = ledger.Entry(
            number, ledger.Kind.CHUNK, chunk.start_ms, chunk.end_ms, chunk.samples, (),
            "taken over from an older format", content, b"",
        )  # fmt: skip
        link = ledger.put(connection, entry, link)


def m7_sums(database: Database) -> None:
    """A sum in every plain row, and one over a level's numbers too: no flipped bit is silent.

    Rows that are there already have none; they were not watched until now.
    """
    # The last log time stored when a boot began: retention may take the readings that tell it.
    database.execute("ALTER TABLE boot ADD COLUMN before_ms INTEGER")
    for table in SUMMED_FROM_7:
        database.execute(f"ALTER TABLE {table} ADD COLUMN crc INTEGER")
    connection = database.conn
    found = connection.execute(
        "SELECT id, channel, start_ms, slots, crc, body FROM level10 WHERE body IS NOT NULL"
    ).fetchall()
    connection.executemany(
        "UPDATE level10 SET crc = ? WHERE id = ?",
        [
            (crc_of(row[1], row[2], row[3], row[5]), row[0])
            for row in found
            if zlib.crc32(row[5]) == row[4]
        ],
    )


def m8_every_row(database: Database) -> None:
    """Channels have a sum too, and rows from before format 7 get theirs: none is without."""
    database.execute("ALTER TABLE channel ADD COLUMN crc INTEGER")
    for table in (*SUMMED_FROM_7, "channel"):
        add_sums(database.conn, table, missing_only=True)


MIGRATIONS: tuple[Callable[[Database], None], ...] = (
    m1_time,
    m2_readings,
    m3_events,
    m4_findings,
    m5_state,
    m6_chain,
    m7_sums,
    m8_every_row,
)


def _table(
    database: Database,
    name: str,
    columns: dict[str, type],
    optional: Collection[str] = (),
    foreign_keys: list[tuple[str, str, str]] | None = None,
) -> None:
    """A table with integer key ``id``; every column not optional is NOT NULL."""
    database.table(name).create(
        columns,
        pk="id",
        not_null=set(columns) - set(optional) - {"id"},
        foreign_keys=foreign_keys or [],
    )
