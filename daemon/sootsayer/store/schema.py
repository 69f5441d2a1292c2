"""The archive file: who may open it, how durable it is, which tables it has.

Every table is plain: times are log time in whole milliseconds (``_ms``), states are the words of
:mod:`sootsayer.model`, lists are JSON. Only readings are packed, see :mod:`sootsayer.store.chunk`.
A change of the tables is one more function at the end of MIGRATIONS. An empty table or index
costs a page of 4 kB, as much as half a minute of readings, so small tables have no index.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from sootsayer.model import SootsayerError

APPLICATION_ID = 0x536F6F74  # "Soot" in ASCII, in the header of the file
NEW_FILE = {"page_size": 4096, "auto_vacuum": 2}
"""Only before the first table: pages as flash likes them; room given back after a purge."""
WRITER = {
    "journal_mode": "wal",  # readers never wait for the writer
    "synchronous": 2,  # FULL: a commit that was acknowledged survives a power cut
    "journal_size_limit": 4_194_304,  # bytes of log left after a checkpoint
    "wal_autocheckpoint": 1000,  # pages
    "foreign_keys": 1,
    "busy_timeout": 5000,  # ms; only a checkpoint of ours can be in the way
    "temp_store": 2,  # memory: no temporary files on the card
    "cache_size": -2000,  # KiB
}
READER = {
    "query_only": 1,
    "wal_autocheckpoint": 0,  # exactly one connection checkpoints, the writer's
    "busy_timeout": 5000,
    "temp_store": 2,
    "cache_size": -2000,
}


def open_writer(path: Path) -> sqlite3.Connection:
    """Create or migrate the archive and return the connection that writes it.

    Autocommit mode: the caller says BEGIN. Raises SootsayerError if the folder cannot be
    written, the file is not ours or is from a newer version.
    """
    try:
        connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    except sqlite3.Error as trouble:
        raise cannot_write(path, trouble) from trouble
    try:
        _refuse_foreign(connection, path)
        _set_pragmas(connection, path, NEW_FILE | WRITER if _is_new(connection) else WRITER)
        _migrate(connection)
    except sqlite3.Error as trouble:
        connection.close()
        raise cannot_write(path, trouble) from trouble
    except SootsayerError:
        connection.close()
        raise
    return connection


def open_reader(path: Path) -> sqlite3.Connection:
    """A connection that cannot write. Raises SootsayerError if there is no archive of ours."""
    if not path.exists():
        raise SootsayerError(
            f"archive {path}: no such file; 'sootsayer watch' or 'sootsayer judge --archive' "
            "makes one"
        )
    try:
        uri = f"{path.absolute().as_uri()}?mode=ro"
        connection = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False)
        _refuse_foreign(connection, path)
        if _is_new(connection):
            raise SootsayerError(f"archive {path}: empty; nothing has been recorded yet")
        for name, value in READER.items():
            connection.execute(f"PRAGMA {name} = {value}")
    except sqlite3.Error as trouble:
        raise cannot_read(path, trouble) from trouble
    return connection


def cannot_write(path: Path, trouble: Exception) -> SootsayerError:
    return SootsayerError(
        f"archive {path}: cannot write ({trouble}); check that the folder exists and may be "
        "written, that the disk has room, and that the file is an archive of ours"
    )


def cannot_read(path: Path, trouble: Exception) -> SootsayerError:
    return SootsayerError(
        f"archive {path}: cannot read ({trouble}); check that it is an archive of ours and that "
        "its folder may be written by this user"
    )


def _refuse_foreign(connection: sqlite3.Connection, path: Path) -> None:
    version = _number(connection, "user_version")
    if _number(connection, "application_id") != APPLICATION_ID and not _is_new(connection):
        raise SootsayerError(f"archive {path}: a database of another program; name another file")
    if version > len(MIGRATIONS):
        raise SootsayerError(
            f"archive {path}: written by a newer version (format {version}, this one knows "
            f"{len(MIGRATIONS)}); install that version"
        )


def _is_new(connection: sqlite3.Connection) -> bool:
    """Empty, or cut off before its first table was there."""
    return not _number(connection, "schema_version") and not _number(connection, "user_version")


def _number(connection: sqlite3.Connection, pragma: str) -> int:
    return int(connection.execute(f"PRAGMA {pragma}").fetchone()[0])


def _set_pragmas(connection: sqlite3.Connection, path: Path, wanted: dict[str, Any]) -> None:
    for name, value in wanted.items():
        connection.execute(f"PRAGMA {name} = {value}").fetchall()
        said = connection.execute(f"PRAGMA {name}").fetchone()[0]
        if said != value:
            raise SootsayerError(
                f"archive {path}: the file system or SQLite answers {name} = {said}, needed is "
                f"{value}; keep the archive on a local disk"
            )


def _migrate(connection: sqlite3.Connection) -> None:
    """Run the migrations the file lacks, all or none."""
    done = _number(connection, "user_version")
    if done == len(MIGRATIONS):
        return
    connection.execute("BEGIN IMMEDIATE")
    try:
        database = Database(connection, execute_plugins=False)
        for migration in MIGRATIONS[done:]:
            migration(database)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise


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


MIGRATIONS: tuple[Callable[[Database], None], ...] = (
    m1_time,
    m2_readings,
    m3_events,
    m4_findings,
    m5_state,
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
