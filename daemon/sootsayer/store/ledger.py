"""The chain over all chunks: what was stored, joined and removed, in order, under one hash.

Each entry names a chunk by its id, says what it replaces, and carries the SHA-256 of its readings
as such, not of their packing: so ten minutes joined from minutes can still be held against what
was first written. ``link`` is the SHA-256 of the link before and all of the entry. Entries are
never changed or deleted; removal by retention is an entry like any other.
"""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import struct
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from sootsayer.store.chunk import Chunk, Column

ENTRY_COLUMNS = "id, kind, start_ms, end_ms, samples, replaces, why, content, link"
NOTHING = bytes(32)  # content of an entry that stores nothing


class Kind(StrEnum):
    """What an entry says."""

    CHUNK = "chunk"  # readings were stored
    JOIN = "join"  # the same readings as those it replaces, in one chunk
    REMOVED = "removed"  # what it replaces was deleted on purpose, and why


@dataclass(frozen=True, slots=True)
class Entry:
    """A row of table ``ledger``. ``id`` is that of its chunk."""

    id: int
    kind: str
    start_ms: int
    end_ms: int
    samples: int
    replaces: tuple[int, ...]
    why: str
    content: bytes  # SHA-256 of the readings
    link: bytes

    def linked_to(self, before: bytes) -> bytes:
        """What ``link`` must be."""
        words = (
            self.id, self.kind, self.start_ms, self.end_ms, self.samples,
            " ".join(map(str, self.replaces)), self.why,
        )  # fmt: skip
        text = "\n".join(map(str, words)).encode("utf-8")
        return hashlib.sha256(before + text + b"\n" + self.content).digest()


# ---------------------------------------------------------------- hashing readings


def definitions(connection: sqlite3.Connection) -> dict[int, bytes]:
    """What gives a channel's raw integers their meaning, as bytes, by id."""
    found = connection.execute('SELECT id, name, scaling, unit, scale, "offset" FROM channel')
    return {
        row[0]: "\0".join(row[1:4]).encode("utf-8") + struct.pack("<dd", *row[4:])
        for row in found.fetchall()
    }


def content_of(columns: Iterable[Column], meaning: Mapping[int, bytes]) -> bytes:
    """SHA-256 of ascending columns, in order of the bytes that define their channels."""
    digest = hashlib.sha256()
    for defined, column in sorted(
        ((meaning.get(column.channel, b""), column) for column in columns), key=lambda pair: pair[0]
    ):
        if len(column.t_ms):
            digest.update(struct.pack("<I", len(defined)) + defined)
            digest.update(struct.pack("<Q", len(column.t_ms)))
            for numbers in (column.t_ms, column.raw):
                digest.update(np.ascontiguousarray(numbers, "<i8").tobytes())
    return digest.digest()


# ---------------------------------------------------------------- writing


def append(
    connection: sqlite3.Connection,
    kind: Kind,
    span_ms: tuple[int, int],
    samples: int,
    content: bytes,
    replaces: Sequence[int] = (),
    why: str = "",
) -> int:
    """Add an entry in the transaction that is open; its id."""
    number, before = last(connection)
    start_ms, end_ms = span_ms
    entry = Entry(number + 1, kind, start_ms, end_ms, samples, tuple(replaces), why, content, b"")
    put(connection, entry, before)
    return entry.id


def put(connection: sqlite3.Connection, entry: Entry, before: bytes) -> bytes:
    """Write an entry after the one with the link ``before``; its own link."""
    link = entry.linked_to(before)
    connection.execute(
        f"INSERT INTO ledger ({ENTRY_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            entry.id, entry.kind, entry.start_ms, entry.end_ms, entry.samples,
            " ".join(map(str, entry.replaces)), entry.why, entry.content, link,
        ),
    )  # fmt: skip
    return link


def stored(connection: sqlite3.Connection, chunk: Chunk, content: bytes) -> int:
    """The entry of new readings."""
    span_ms = (chunk.start_ms, chunk.end_ms)
    return append(connection, Kind.CHUNK, span_ms, chunk.samples, content)


# ---------------------------------------------------------------- reading


def last(connection: sqlite3.Connection) -> tuple[int, bytes]:
    """Id and link of the newest entry, or 0 and the archive's own first link."""
    found = connection.execute("SELECT id, link FROM ledger ORDER BY id DESC LIMIT 1").fetchone()
    return (found[0], found[1]) if found else (0, first_link(archive_id(connection)))


def entries(connection: sqlite3.Connection) -> Iterator[Entry]:
    """All entries in order of their ids, fetched in handfuls."""
    after = 0
    while True:
        found = connection.execute(
            f"SELECT {ENTRY_COLUMNS} FROM ledger WHERE id > ? ORDER BY id LIMIT 500", (after,)
        ).fetchall()
        for row in found:
            replaces = tuple(int(word) for word in row[5].split())
            why, content, link = row[6], bytes(row[7]), bytes(row[8])
            yield Entry(row[0], row[1], row[2], row[3], row[4], replaces, why, content, link)
        if len(found) < 500:
            return
        after = found[-1][0]


def archive_id(connection: sqlite3.Connection) -> str:
    """Thirty-two hexadecimal digits, given to the archive when it was made."""
    found = connection.execute("SELECT value FROM state WHERE name = 'archive'").fetchone()
    return str(json.loads(found[0])["id"]) if found else ""


def new_archive_id() -> str:
    return os.urandom(16).hex()


def first_link(archive: str) -> bytes:
    """What stands before the first entry, so that no chain can be moved to another archive."""
    return hashlib.sha256(archive.encode("ascii")).digest()
