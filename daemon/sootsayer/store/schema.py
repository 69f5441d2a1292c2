"""The archive file: who may open it and how durable it is."""

from __future__ import annotations

import errno
import os
import sqlite3
from enum import StrEnum
from pathlib import Path
from typing import Any

from sootsayer.model import SootsayerError
from sootsayer.store.migrations import MIGRATIONS

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
        # A disk that can only be read, or a log's index that was opened there, shows itself here
        # and not at the first commit.
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("ROLLBACK")
    except (sqlite3.Error, UnicodeDecodeError) as trouble:
        connection.close()
        raise cannot_write(path, trouble) from trouble
    except SootsayerError:
        connection.close()
        raise
    return connection


def open_reader(path: Path, frozen: bool = False) -> sqlite3.Connection:
    """A connection that cannot write. Raises SootsayerError if there is no archive of ours.

    In WAL mode even a reader needs a file beside the archive, which a disk that can only be read
    does not let it have; there, or if ``frozen`` (nobody writes), it reads the main file alone.
    """
    if not path.exists():
        raise SootsayerError(
            f"archive {path}: no such file; 'sootsayer watch' or 'sootsayer judge --archive' "
            "makes one"
        )
    try:
        alone = "&immutable=1" if frozen or _is_read_only(path) else ""
        uri = f"{path.absolute().as_uri()}?mode=ro{alone}"
        connection = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False)
        _refuse_foreign(connection, path)
        if _is_new(connection):
            raise SootsayerError(f"archive {path}: empty; nothing has been recorded yet")
        _refuse_older(connection, path)
        for name, value in READER.items():
            connection.execute(f"PRAGMA {name} = {value}")
    except (sqlite3.Error, UnicodeDecodeError) as trouble:  # SQLite quotes a damaged schema
        raise cannot_read(path, trouble) from trouble
    return connection


class Refusal(StrEnum):
    """Why a disk did not take what was to be stored, in words for people."""

    FULL = "the disk is full"
    READ_ONLY = "the disk can only be read"
    FAILING = "writing fails"
    DAMAGED = "the archive is damaged"


class ArchiveRefusedError(SootsayerError):
    """The archive could not be written; what was to be stored is kept for another try."""

    def __init__(self, text: str, refusal: Refusal) -> None:
        super().__init__(text)
        self.refusal = refusal


def refusal_of(trouble: Exception) -> Refusal:
    """From SQLite's own result code or the system's error number."""
    name = getattr(trouble, "sqlite_errorname", "") or ""
    number = getattr(trouble, "errno", None)
    if name.startswith("SQLITE_FULL") or number in (errno.ENOSPC, errno.EDQUOT):
        return Refusal.FULL
    if name.startswith("SQLITE_READONLY") or number == errno.EROFS:
        return Refusal.READ_ONLY
    if name.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB")) or isinstance(trouble, ValueError):
        return Refusal.DAMAGED
    return Refusal.FAILING


def cannot_write(path: Path, trouble: Exception) -> ArchiveRefusedError:
    return ArchiveRefusedError(
        f"archive {path}: cannot write ({trouble}); check that the folder exists and may be "
        "written, that the disk has room, and that the file is an archive of ours",
        refusal_of(trouble),
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


def _refuse_older(connection: sqlite3.Connection, path: Path) -> None:
    """A reader cannot bring a file up to date, and must not."""
    version = _number(connection, "user_version")
    if version < len(MIGRATIONS):
        raise SootsayerError(
            f"archive {path}: written by an older version (format {version} of {len(MIGRATIONS)}); "
            "record into it once with 'sootsayer watch', or bring a copy up to date with "
            "'sootsayer repair'"
        )


def _is_read_only(path: Path) -> bool:
    """Whether its file system can only be read and no shared memory lies there from before."""
    if path.with_name(f"{path.name}-shm").exists():
        return False
    return bool(os.statvfs(path.parent).f_flag & os.ST_RDONLY)


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
    from sqlite_utils import Database

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
