"""What can be read of a damaged archive, into a new one. The damaged file is only read.

Everything happens on a copy of the old files. Rows are taken table by table, also from a file
whose first page is gone, by lending it the first page of a fresh archive; chunks and levels count
only if their check sums hold. The new archive has a chain of its own: the old file stays the
evidence, this one is for work.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sootsayer.model import Scaling, SootsayerError
from sootsayer.store import ledger, readings, rows, salvage
from sootsayer.store.archive import Archive
from sootsayer.store.chunk import Chunk, ChunkDamagedError, Column, decode
from sootsayer.store.files import BESIDE, new_archive, remove
from sootsayer.store.level import HOUR_MS, crc_of
from sootsayer.store.minutes import Gathered, merge
from sootsayer.store.ring import BLOCK, BLOCK_BYTES, MAGIC, Done, ring_path, scan
from sootsayer.store.schema import open_writer

PLAIN_TABLES = (
    "boot", "anchor", "mark", "gap", "code", "code_look", "identity", "source_status",
    "alert", "episode", "trip", "opening", "held",
)  # fmt: skip
OWN_STATES = frozenset({"archive", "ring"})
UNKNOWN = Scaling("unknown", 1.0, 0.0, "")
LOST = "stored readings are damaged and could not be recovered"
PAGE_BYTES = 4096
Progress = Callable[[int, int], None]


@dataclass(slots=True)
class Recovered:
    """What a repair brought over. ``lost``: spans of log time whose readings are gone."""

    rows: dict[str, int] = field(default_factory=dict)
    chunks: int = 0
    samples: int = 0
    ring_records: int = 0
    lost: list[tuple[int, int]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def repair(old: Path, new: Path, progress: Progress = lambda done, all_: None) -> Recovered:
    """Recover ``old`` into ``new``, which must not exist. Raises SootsayerError."""
    if not old.is_file():
        raise SootsayerError(f"archive {old}: no such file; nothing to repair")
    found = Recovered()
    with new_archive(new) as part, _copied(old, part) as copy:
        damaged = _opened(copy, part, found)
        try:
            connection = open_writer(part)
            try:
                connection.execute("BEGIN")
                _bring_over(damaged, connection, found, progress)
                done = _ring_state(damaged, connection, copy, found)
                if done is not None:
                    rows.put_ring_done(connection, done)
                connection.execute("COMMIT")
            finally:
                connection.close()
        finally:
            damaged.close()
        if done is not None:
            shutil.copy(ring_path(copy), ring_path(part))
        Archive.open(part).close()
    return found


@contextmanager
def _copied(old: Path, part: Path) -> Iterator[Path]:
    copy = part.with_name(f"{part.name}-old")
    remove(copy)
    try:
        for ending in ("", "-wal", "-ring"):
            source = old.with_name(old.name + ending)
            if source.exists():
                shutil.copy(source, copy.with_name(copy.name + ending))
        yield copy
    finally:
        remove(copy)


def _opened(copy: Path, part: Path, found: Recovered) -> sqlite3.Connection:
    """The copy, brought up to date if it is whole enough, its first page lent if it is not."""
    with suppress(SootsayerError):
        open_writer(copy).close()  # an older format is migrated
    if not _readable(copy):
        found.notes.append("the first page was unreadable and was replaced by that of a new file")
        _lend_first_page(copy, part)
    connection = sqlite3.connect(copy, isolation_level=None)
    connection.execute("PRAGMA cell_size_check = 0")
    return connection


def _readable(path: Path) -> bool:
    connection = sqlite3.connect(path)
    try:
        names = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
        return {"chunk", "channel", "ledger"} <= names
    except sqlite3.Error:
        return False
    finally:
        connection.close()


def _lend_first_page(copy: Path, part: Path) -> None:
    """A fresh archive's tables begin on the same pages, having been made in the same order."""
    Archive.open(part).close()
    fresh = part.read_bytes()
    remove(part)
    pages = max(1, copy.stat().st_size // PAGE_BYTES)
    first = bytearray(fresh[:PAGE_BYTES])
    first[28:32] = pages.to_bytes(4, "big")  # sqlite.org/fileformat2.html: size in pages,
    first[32:40] = bytes(8)  # no free pages,
    first[92:96] = first[24:28]  # and the size is valid for this change counter
    with copy.open("r+b") as file:
        file.write(first)
    for ending in BESIDE:
        if ending != "-ring":  # a log without its file's first page says nothing
            copy.with_name(copy.name + ending).unlink(missing_ok=True)


# ---------------------------------------------------------------- tables


def _bring_over(
    damaged: sqlite3.Connection,
    connection: sqlite3.Connection,
    found: Recovered,
    progress: Progress,
) -> None:
    for table in PLAIN_TABLES:
        _copy_rows(connection, table, salvage.rows(damaged, table, found.notes), found)
    states = salvage.rows(damaged, "state", found.notes)
    states = [row for row in states if row["name"] not in OWN_STATES]
    _copy_rows(connection, "state", states, found)
    _copy_rows(connection, "channel", salvage.rows(damaged, "channel", found.notes), found)
    readings.forget_counts(connection)  # what is recovered is counted anew
    _bring_removals(damaged, connection)
    _bring_chunks(damaged, connection, found, progress)
    _bring_levels(damaged, connection, found)


def _copy_rows(
    connection: sqlite3.Connection, table: str, found_rows: list[salvage.Row], found: Recovered
) -> None:
    """Rows that the new table takes; one that a bit has spoiled is left out."""
    taken = 0
    for row in found_rows:
        if table in rows.SUMMED and not rows.is_whole(row):
            continue
        with suppress(sqlite3.Error, TypeError, ValueError):
            rows.insert(connection, table, row)
            taken += 1
    found.rows[table] = taken
    if taken < len(found_rows):
        found.notes.append(f"{len(found_rows) - taken} rows of table {table} made no sense")


def _bring_removals(damaged: sqlite3.Connection, connection: sqlite3.Connection) -> None:
    for row in salvage.rows(damaged, "ledger"):
        if row["kind"] == ledger.Kind.REMOVED:
            ledger.append(
                connection, ledger.Kind.REMOVED, (row["start_ms"], row["end_ms"]),
                row["samples"], ledger.NOTHING, (), row["why"],
            )  # fmt: skip


def _bring_chunks(
    damaged: sqlite3.Connection,
    connection: sqlite3.Connection,
    found: Recovered,
    progress: Progress,
) -> None:
    meaning = ledger.definitions(connection)
    stored = salvage.rows(damaged, "chunk", found.notes)
    kept: set[int] = set()
    for number, row in enumerate(stored, 1):
        chunk = _chunk(row)
        try:
            columns = [] if chunk is None else decode(chunk)
        except ChunkDamagedError:
            columns = []
        if chunk is not None and columns:
            meaning |= _name_unknown(connection, columns, meaning, found)
            _put_chunk(connection, chunk, columns, meaning)
            kept.add(row["id"])
            found.chunks += 1
            found.samples += chunk.samples
        progress(number, len(stored))
    _tell_losses(damaged, connection, stored, kept, found)


def _name_unknown(
    connection: sqlite3.Connection,
    columns: list[Column],
    meaning: dict[int, bytes],
    found: Recovered,
) -> dict[int, bytes]:
    """Channels whose row is lost keep their raw integers under a name that says so."""
    lost = {column.channel for column in columns} - set(meaning)
    for number in sorted(lost):
        readings.add_channel(connection, number, f"unknown_{number}", UNKNOWN)
        found.notes.append(f"what channel {number} was is lost; its raw integers are kept")
    return ledger.definitions(connection) if lost else {}


def _chunk(row: salvage.Row) -> Chunk | None:
    start_ms, end_ms, samples, codec, crc, body = (
        row[name] for name in ("start_ms", "end_ms", "samples", "codec", "crc", "body")
    )
    numbers = all(isinstance(value, int) for value in (start_ms, end_ms, samples, codec, crc))
    return (
        Chunk(start_ms, end_ms, samples, codec, crc, body)
        if numbers and isinstance(body, bytes)
        else None
    )


def _put_chunk(
    connection: sqlite3.Connection, chunk: Chunk, columns: list[Column], meaning: dict[int, bytes]
) -> None:
    gathered = Gathered()
    gathered.extend(columns)
    content = ledger.content_of(columns, meaning)
    readings.insert(connection, ledger.stored(connection, chunk, content), chunk)
    readings.count_readings(connection, merge(gathered))


def _tell_losses(
    damaged: sqlite3.Connection,
    connection: sqlite3.Connection,
    stored: list[salvage.Row],
    kept: set[int],
    found: Recovered,
) -> None:
    """Spans of chunks that stand in the old chain, or in their rows, and were not recovered."""
    chain = salvage.rows(damaged, "ledger", found.notes)
    replaced = {int(old) for row in chain for old in str(row["replaces"]).split() if old.isdigit()}
    known: dict[int, tuple[Any, Any]] = {
        row["id"]: (row["start_ms"], row["end_ms"]) for row in stored
    }
    for row in chain:
        if row["kind"] != ledger.Kind.REMOVED and row["id"] not in replaced:
            known[row["id"]] = (row["start_ms"], row["end_ms"])
    for number in sorted(set(known) - kept):
        start_ms, end_ms = known[number]
        if isinstance(start_ms, int) and isinstance(end_ms, int):
            found.lost.append((start_ms, end_ms))
            gap = {"start_ms": start_ms, "end_ms": end_ms, "reason": LOST}
            rows.insert(connection, "gap", gap)


def _bring_levels(
    damaged: sqlite3.Connection, connection: sqlite3.Connection, found: Recovered
) -> None:
    """Levels whose check sum holds; hours without any are made anew from their chunks."""
    whole = [
        row
        for row in salvage.rows(damaged, "level10")
        if isinstance(row["body"], bytes)
        and crc_of(row["channel"], row["start_ms"], row["slots"], row["body"]) == row["crc"]
    ]
    _copy_rows(connection, "level10", whole, found)
    hours = connection.execute("SELECT DISTINCT start_ms / ? * ? FROM chunk WHERE start_ms >= 0",
                               (HOUR_MS, HOUR_MS)).fetchall()  # fmt: skip
    have = {row["start_ms"] for row in whole}
    last_ms = max((hour for (hour,) in hours), default=0)
    for (hour,) in hours:
        if hour not in have and hour != last_ms:
            readings.write_level(connection, hour)


# ---------------------------------------------------------------- the ring


def _ring_state(
    damaged: sqlite3.Connection, connection: sqlite3.Connection, copy: Path, found: Recovered
) -> Done | None:
    """What of the old ring is in chunks; None without a ring."""
    if not ring_path(copy).exists():
        return None
    packed = ring_path(copy).read_bytes()
    done = _told(damaged) or _guessed(damaged, packed)
    if done is None:
        return None
    needed = [record for record in scan(packed, done.salt).records if done.needs(record)]
    found.ring_records = len(needed)
    columns = [column for record in needed for column in record.columns()]
    _name_unknown(connection, columns, ledger.definitions(connection), found)
    return done


def _told(damaged: sqlite3.Connection) -> Done | None:
    for row in salvage.rows(damaged, "state"):
        if row["name"] == "ring":
            with suppress(ValueError, TypeError):
                return Done(**json.loads(row["value"]))
    return None


def _guessed(damaged: sqlite3.Connection, packed: bytes) -> Done | None:
    """The salt from the blocks themselves; what is younger than every chunk counts."""
    for at in range(0, len(packed), BLOCK_BYTES):
        if packed[at : at + 4] == MAGIC:
            salt = BLOCK.unpack_from(packed, at)[1].hex()
            found = scan(packed, salt)
            if found.records:
                ends = [row["end_ms"] for row in salvage.rows(damaged, "chunk")]
                known = [end_ms for end_ms in ends if isinstance(end_ms, int)]
                return Done(salt, found.highest, max(known)) if known else Done(salt)
    return None
