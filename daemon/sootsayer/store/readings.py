"""Tables channel, chunk, tail and level10: statements on a connection that is in a transaction."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Collection, Iterable, Iterator

from sootsayer.model import Scaling
from sootsayer.store.chunk import STRETCH_MS, Chunk, ChunkDamagedError, Column, decode, encode
from sootsayer.store.level import HOUR_MS, crc_of, pack_hour
from sootsayer.store.minutes import Gathered, chunks, merge

CHUNK_COLUMNS = "start_ms, end_ms, samples, codec, crc, body"
CHUNK_VALUES = "start_ms, end_ms, samples, codec, crc, CAST(body AS BLOB)"  # whatever a bit says
FETCH_ROWS = 16  # about 1 MB of bodies at a time


def known_channels(connection: sqlite3.Connection) -> dict[tuple[str, Scaling], int]:
    found = connection.execute('SELECT id, name, scaling, scale, "offset", unit FROM channel')
    return {(row[1], Scaling(*row[2:])): row[0] for row in found.fetchall()}


def add_channel(connection: sqlite3.Connection, number: int, name: str, scaling: Scaling) -> None:
    connection.execute(
        'INSERT INTO channel (id, name, scaling, scale, "offset", unit, samples) '
        "VALUES (?, ?, ?, ?, ?, ?, 0)",
        (number, name, scaling.name, scaling.scale, scaling.offset, scaling.unit),
    )


def count_readings(connection: sqlite3.Connection, columns: Iterable[Column]) -> None:
    """Add ascending columns that are being stored to their channels' count and span."""
    connection.executemany(
        "UPDATE channel SET samples = samples + ?1, first_ms = min(ifnull(first_ms, ?2), ?2), "
        "last_ms = max(ifnull(last_ms, ?3), ?3) WHERE id = ?4",
        [(len(c.t_ms), int(c.t_ms[0]), int(c.t_ms[-1]), c.channel) for c in columns],
    )


def write_tail(connection: sqlite3.Connection, columns: list[Column], upto_ms: int) -> None:
    """One record of readings that belong to no finished minute."""
    if columns:
        start_ms = min(int(column.t_ms[0]) for column in columns) - 1
        end_ms = max(upto_ms, *(int(column.t_ms[-1]) for column in columns))
        _insert(connection, "tail", encode(columns, start_ms, end_ms))


def write_chunks(connection: sqlite3.Connection, columns: list[Column], upto_ms: int) -> set[int]:
    """Ascending columns as chunks; returns the starts of the ten minutes they lie in."""
    stretches = set()
    for chunk in chunks(columns, upto_ms):
        _insert(connection, "chunk", chunk)
        stretches.add(chunk.start_ms // STRETCH_MS * STRETCH_MS)
    return stretches


def join_chunks(connection: sqlite3.Connection, stretch_ms: int) -> None:
    """The chunks of ten minutes that are over as one, unless one of them is damaged."""
    end_ms = stretch_ms + STRETCH_MS
    found = list(chunk_rows(connection, stretch_ms, end_ms))
    damaged: list[Chunk] = []
    gathered = Gathered()
    gathered.extend(decoded(found, None, damaged))
    if len(found) > 1 and not damaged:
        connection.execute(
            "DELETE FROM chunk WHERE start_ms >= ? AND start_ms < ?", (stretch_ms, end_ms)
        )
        _insert(connection, "chunk", encode(merge(gathered), stretch_ms, end_ms))


def write_level(connection: sqlite3.Connection, hour_ms: int) -> None:
    """The 10 s level of one hour from its chunks, in place of what was there."""
    gathered = Gathered()
    for chunk in chunk_rows(connection, hour_ms, hour_ms + HOUR_MS):
        try:
            gathered.extend(decode(chunk))
        except ChunkDamagedError:
            continue  # the reader says so when it meets it
    connection.execute("DELETE FROM level10 WHERE start_ms = ?", (hour_ms,))
    for channel, columns in gathered.pieces.items():
        slots, body = pack_hour(columns, hour_ms) or (0, None)
        crc = None if body is None else crc_of(body)
        connection.execute(
            "INSERT INTO level10 (channel, start_ms, slots, crc, body) VALUES (?, ?, ?, ?, ?)",
            (channel, hour_ms, slots, crc, body),
        )


def unjoined_stretches(connection: sqlite3.Connection) -> set[int]:
    """Starts of ten minutes that are in several chunks."""
    starts = connection.execute("SELECT start_ms FROM chunk").fetchall()
    counted = Counter(start_ms // STRETCH_MS * STRETCH_MS for (start_ms,) in starts)
    return {stretch for stretch, count in counted.items() if count > 1}


def hours_without_level(connection: sqlite3.Connection) -> set[int]:
    """Starts of the hours after the last that has a level."""
    found = connection.execute(
        "SELECT start_ms FROM chunk WHERE start_ms >= ?", (level_upto_ms(connection),)
    ).fetchall()
    return {start_ms // HOUR_MS * HOUR_MS for (start_ms,) in found}


def level_upto_ms(connection: sqlite3.Connection) -> int:
    """End of the last hour that has a level; before it all hours with readings have one."""
    last_ms = connection.execute("SELECT max(start_ms) FROM level10").fetchone()[0]
    return -(1 << 62) if last_ms is None else int(last_ms) + HOUR_MS


def chunk_rows(connection: sqlite3.Connection, start_ms: int, end_ms: int) -> Iterator[Chunk]:
    """Chunks that hold any ``start < t <= end``, in order of time.

    Fetched in handfuls, so no cursor stays open while the caller works.
    """
    after = (start_ms // STRETCH_MS * STRETCH_MS, -1)
    while True:
        found = connection.execute(
            f"SELECT id, {CHUNK_VALUES} FROM chunk WHERE (start_ms, id) > (?, ?) "
            "AND start_ms < ? AND end_ms > ? ORDER BY start_ms, id LIMIT ?",
            (*after, end_ms, start_ms, FETCH_ROWS),
        ).fetchall()
        for row in found:
            yield Chunk(*row[1:])
        if len(found) < FETCH_ROWS:
            return
        after = (found[-1][1], found[-1][0])


def tail_rows(connection: sqlite3.Connection) -> list[Chunk]:
    found = connection.execute(f"SELECT {CHUNK_VALUES} FROM tail ORDER BY id").fetchall()
    return [Chunk(*row) for row in found]


def decoded(
    found: Iterable[Chunk], channels: Collection[int] | None, damaged: list[Chunk]
) -> Iterator[Column]:
    """Columns of intact chunks; the others are added to ``damaged``."""
    for chunk in found:
        try:
            yield from decode(chunk, channels)
        except ChunkDamagedError:
            damaged.append(chunk)


def _insert(connection: sqlite3.Connection, table: str, chunk: Chunk) -> None:
    connection.execute(
        f"INSERT INTO {table} ({CHUNK_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?)",
        (chunk.start_ms, chunk.end_ms, chunk.samples, chunk.codec, chunk.crc, chunk.body),
    )
