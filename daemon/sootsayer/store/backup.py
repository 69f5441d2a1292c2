"""A copy of an archive as it is at one moment, also while a recorder writes it."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

from sootsayer.store.archive import Archive
from sootsayer.store.files import new_archive
from sootsayer.store.ring import ring_path
from sootsayer.store.schema import cannot_read, open_reader

PAGES_AT_ONCE = 256  # 1 MB between two looks at the progress
Progress = Callable[[int, int], None]


def backup(source: Path, target: Path, progress: Progress = lambda done, all_: None) -> None:
    """Copy ``source`` to ``target``, which must not exist: one whole file, the ring taken in.

    The chain goes on in the copy, unsigned after the last signed head. Raises SootsayerError.
    """
    with new_archive(target) as part:
        # The ring before the snapshot: what leaves it meanwhile is in the snapshot.
        ring = ring_path(source).read_bytes() if ring_path(source).exists() else b""
        connection = open_reader(source)
        try:
            _copy(connection, part, progress)
        except sqlite3.Error as trouble:
            raise cannot_read(source, trouble) from trouble
        finally:
            connection.close()
        if ring:
            ring_path(part).write_bytes(ring)
        Archive.open(part).close()


def _copy(connection: sqlite3.Connection, part: Path, progress: Progress) -> None:
    """All pages of one snapshot: held open, so that no commit makes the copy begin again."""
    connection.execute("BEGIN")
    connection.execute("SELECT count(*) FROM state").fetchone()
    copy = sqlite3.connect(part)
    try:
        connection.backup(
            copy,
            pages=PAGES_AT_ONCE,
            progress=lambda _, left, total: progress(total - left, total),
            sleep=0,
        )
    finally:
        copy.close()
