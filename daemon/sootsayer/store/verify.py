"""Walks an archive's chain and names the first break.

Held against one another are: each entry's link against the entry before it, each
signed head against the chain, each entry that still stands against the readings of its chunk,
each joined chunk against what it replaced; then each plain row against its own sum.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sootsayer.store import ledger, rows
from sootsayer.store.chunk import ChunkDamagedError, Column, decode
from sootsayer.store.device_key import fingerprint, heads, signed_by
from sootsayer.store.ledger import Entry, Kind
from sootsayer.store.minutes import between
from sootsayer.store.readings import chunk_by_id
from sootsayer.store.schema import cannot_read, open_reader

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Removal:
    """Readings that were deleted on purpose."""

    start_ms: int
    end_ms: int
    samples: int
    why: str


@dataclass(frozen=True, slots=True)
class Verified:
    """What a walk found. ``broken`` is the first break, "" if there is none.

    ``signed_entries`` of ``entries`` are covered by a signature of the ``devices`` (fingerprints).
    """

    entries: int
    samples: int
    signed_entries: int
    signed_ms: int | None
    devices: tuple[str, ...]
    removals: tuple[Removal, ...]
    broken: str


class _BrokenError(Exception):
    """Found a break; the text names it."""


def verify(path: Path, progress: Progress = lambda done, all_: None) -> Verified:
    """Walk the archive at ``path``. Raises SootsayerError if it cannot be read at all."""
    connection = open_reader(path)
    try:
        connection.execute("BEGIN")
        return _walk(connection, progress)
    except (sqlite3.Error, ValueError, TypeError, KeyError) as trouble:
        raise cannot_read(path, trouble) from trouble
    finally:
        connection.close()


def _walk(connection: sqlite3.Connection, progress: Progress) -> Verified:
    entries: dict[int, Entry] = {}
    broken = ""
    signed = 0
    try:
        _chain(connection, entries)
        signed = _signatures(connection, entries)
        _readings(connection, entries, progress)
        for row in rows.damaged(connection):
            raise _BrokenError(row)
    except _BrokenError as found:
        broken = str(found)
    signatures = heads(connection)
    return Verified(
        entries=len(entries),
        samples=sum(entry.samples for entry in _standing(entries)),
        signed_entries=sum(1 for number in entries if number <= signed),
        signed_ms=max((head.t_ms for head in signatures), default=None),
        devices=tuple(sorted({fingerprint(head.public_key) for head in signatures})),
        removals=tuple(
            Removal(entry.start_ms, entry.end_ms, entry.samples, entry.why)
            for entry in entries.values()
            if entry.kind == Kind.REMOVED
        ),
        broken=broken,
    )


def _chain(connection: sqlite3.Connection, entries: dict[int, Entry]) -> None:
    before = ledger.first_link(ledger.archive_id(connection))
    for entry in ledger.entries(connection):
        if entry.linked_to(before) != entry.link:
            raise _BrokenError(f"{_name(entry)}: was changed, or one before it was taken out")
        for old in entry.replaces:
            if old not in entries or old >= entry.id:
                raise _BrokenError(f"{_name(entry)}: replaces entry {old}, which is not there")
        entries[entry.id] = entry
        before = entry.link


def _signatures(connection: sqlite3.Connection, entries: Mapping[int, Entry]) -> int:
    """The last entry that a signature covers."""
    archive = ledger.archive_id(connection)
    signed = 0
    for head in heads(connection):
        if head.entry not in entries or entries[head.entry].link != head.link:
            raise _BrokenError(f"signed head {head.id}: the chain it signed ended otherwise")
        if not signed_by(head, archive):
            raise _BrokenError(f"signed head {head.id}: the signature is not of this key")
        signed = max(signed, head.entry)
    return signed


def _standing(entries: Mapping[int, Entry]) -> list[Entry]:
    """Entries whose chunk must be there."""
    replaced = {old for entry in entries.values() for old in entry.replaces}
    return [
        entry
        for entry in entries.values()
        if entry.kind != Kind.REMOVED and entry.id not in replaced
    ]


def _readings(
    connection: sqlite3.Connection, entries: Mapping[int, Entry], progress: Progress
) -> None:
    standing = _standing(entries)
    stored = {row[0] for row in connection.execute("SELECT id FROM chunk").fetchall()}
    meaning = ledger.definitions(connection)
    for number, entry in enumerate(standing, 1):
        if entry.id not in stored:
            raise _BrokenError(f"{_name(entry)}: its readings are gone, and nothing says why")
        _hold(connection, entry, entries, meaning)
        progress(number, len(standing))
    extra = stored - {entry.id for entry in standing}
    if extra:
        raise _BrokenError(f"chunk {min(extra)}: holds readings that no entry speaks of")


def _hold(
    connection: sqlite3.Connection,
    entry: Entry,
    entries: Mapping[int, Entry],
    meaning: Mapping[int, bytes],
) -> None:
    chunk = chunk_by_id(connection, entry.id)
    if (chunk.start_ms, chunk.end_ms, chunk.samples) != (
        entry.start_ms, entry.end_ms, entry.samples,
    ):  # fmt: skip
        raise _BrokenError(f"{_name(entry)}: its chunk says another span or count")
    try:
        columns = decode(chunk)
    except ChunkDamagedError as damage:
        if entry.content == ledger.NOTHING:
            return  # it was so when the chain began, and the entry says it
        raise _BrokenError(f"{_name(entry)}: {damage}") from damage
    if ledger.content_of(columns, meaning) != entry.content:
        raise _BrokenError(f"{_name(entry)}: its readings are not those that were stored")
    if entry.kind == Kind.JOIN:
        _hold_parts(entry, [entries[old] for old in entry.replaces], columns, meaning)


def _hold_parts(
    entry: Entry, parts: Sequence[Entry], columns: Sequence[Column], meaning: Mapping[int, bytes]
) -> None:
    """What was joined, against the entries of its parts."""
    if sum(part.samples for part in parts) != entry.samples:
        raise _BrokenError(f"{_name(entry)}: holds more or fewer readings than its parts had")
    ordered = sorted(parts, key=lambda part: part.start_ms)
    for number, part in enumerate(ordered):
        neighbours = ordered[max(0, number - 1) : number] + ordered[number + 1 : number + 2]
        if any(n.start_ms < part.end_ms and part.start_ms < n.end_ms for n in neighbours):
            continue  # late readings: two parts share a minute and cannot be told apart again
        inside = [between(column, part.start_ms, part.end_ms) for column in columns]
        if ledger.content_of(inside, meaning) != part.content:
            raise _BrokenError(f"{_name(part)}: was joined with others, but not as it was stored")


def _name(entry: Entry) -> str:
    return f"entry {entry.id} ({entry.kind}, {entry.start_ms} to {entry.end_ms} ms)"
