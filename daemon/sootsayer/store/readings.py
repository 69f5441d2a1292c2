"""Tables channel, chunk and level10: statements on a connection that is in a transaction."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from typing import Any

from sootsayer.model import Scaling
from sootsayer.store import ledger, rows
from sootsayer.store.chunk import STRETCH_MS, Chunk, ChunkDamagedError, Column, decode, encode
from sootsayer.store.level import HOUR_MS, crc_of, pack_hour
from sootsayer.store.minutes import Gathered, chunks, merge

CHUNK_COLUMNS = "start_ms, end_ms, samples, codec, crc, body"
CHUNK_VALUES = "start_ms, end_ms, samples, codec, crc, CAST(body AS BLOB)"  # whatever a bit says
CHANNEL_COLUMNS = (
    "id", "name", "scaling", "scale", "offset", "unit", "first_ms", "last_ms", "samples", "crc",
)  # fmt: skip
FETCH_ROWS = 16  # about 1 MB of bodies at a time


def known_channels(connection: sqlite3.Connection) -> dict[tuple[str, Scaling], int]:
    """Ids of channels whose row is whole."""
    return {
        (row["name"], Scaling(row["scaling"], row["scale"], row["offset"], row["unit"])): row["id"]
        for row in _channel_rows(connection, "")
        if rows.is_whole(row)
    }


def add_channel(connection: sqlite3.Connection, number: int, name: str, scaling: Scaling) -> None:
    row = {
        "id": number,
        "name": name,
        "scaling": scaling.name,
        "scale": scaling.scale,
        "offset": scaling.offset,
        "unit": scaling.unit,
        "samples": 0,
    }
    rows.insert(connection, "channel", row)


def count_readings(connection: sqlite3.Connection, columns: Iterable[Column]) -> None:
    """Add ascending columns that are being stored to their channels' count and span."""
    for column in columns:
        ends_ms = int(column.t_ms[0]), int(column.t_ms[-1])
        for row in _channel_rows(connection, "WHERE id = ?", column.channel):
            known_ms = [t_ms for t_ms in (row["first_ms"], row["last_ms"]) if t_ms is not None]
            first_ms, last_ms = min([*ends_ms, *known_ms]), max([*ends_ms, *known_ms])
            _change(connection, row, first_ms, last_ms, row["samples"] + len(column.t_ms))


def discount_readings(connection: sqlite3.Connection, columns: Iterable[Column]) -> None:
    """Take columns that are being removed off their channels' count."""
    for column in columns:
        for row in _channel_rows(connection, "WHERE id = ?", column.channel):
            samples = row["samples"] - len(column.t_ms)
            _change(connection, row, row["first_ms"], row["last_ms"], samples)


def forget_counts(connection: sqlite3.Connection) -> None:
    """Every channel as if nothing of it were stored."""
    for row in _channel_rows(connection, ""):
        _change(connection, row, None, None, 0)


def _channel_rows(
    connection: sqlite3.Connection, where: str, *parameters: int
) -> list[dict[str, Any]]:
    names = ", ".join(f'"{name}"' for name in CHANNEL_COLUMNS)
    found = connection.execute(f"SELECT {names} FROM channel {where}", parameters).fetchall()
    return [dict(zip(CHANNEL_COLUMNS, values, strict=True)) for values in found]


def _change(
    connection: sqlite3.Connection,
    row: dict[str, Any],
    first_ms: int | None,
    last_ms: int | None,
    samples: int,
) -> None:
    """New counts, and the sum with them; a row that is damaged stays so."""
    new = row | {"first_ms": first_ms, "last_ms": last_ms, "samples": samples}
    if rows.is_whole(row):
        new["crc"] = rows.sum_of(new)
    connection.execute(
        "UPDATE channel SET first_ms = :first_ms, last_ms = :last_ms, samples = :samples, "
        "crc = :crc WHERE id = :id",
        new,
    )


def write_chunks(connection: sqlite3.Connection, columns: list[Column], upto_ms: int) -> set[int]:
    """Ascending columns as chunks; returns the starts of the ten minutes they lie in."""
    stretches = set()
    meaning = ledger.definitions(connection)
    for chunk, inside in chunks(columns, upto_ms):
        content = ledger.content_of(inside, meaning)
        insert(connection, ledger.stored(connection, chunk, content), chunk)
        stretches.add(chunk.start_ms // STRETCH_MS * STRETCH_MS)
    return stretches


def join_chunks(connection: sqlite3.Connection, stretch_ms: int) -> None:
    """The chunks of ten minutes that are over as one, unless one of them is damaged."""
    end_ms = stretch_ms + STRETCH_MS
    found = connection.execute(
        f"SELECT id, {CHUNK_VALUES} FROM chunk WHERE start_ms >= ? AND start_ms < ? "
        "ORDER BY start_ms, id",
        (stretch_ms, end_ms),
    ).fetchall()
    damaged: list[Chunk] = []
    gathered = Gathered()
    gathered.extend(decoded((Chunk(*row[1:]) for row in found), None, damaged))
    if len(found) < 2 or damaged:
        return
    columns = merge(gathered)
    chunk = encode(columns, stretch_ms, end_ms)
    content = ledger.content_of(columns, ledger.definitions(connection))
    ids = [row[0] for row in found]
    number = ledger.append(
        connection, ledger.Kind.JOIN, (stretch_ms, end_ms), chunk.samples, content, ids
    )
    connection.executemany("DELETE FROM chunk WHERE id = ?", [(old,) for old in ids])
    insert(connection, number, chunk)


def write_level(connection: sqlite3.Connection, hour_ms: int) -> None:
    """The 10 s level of one hour from its chunks, in place of what was there."""
    if was_thinned(connection, hour_ms):
        return  # what the level tells of removed readings could not be made again
    gathered = Gathered()
    for chunk in chunk_rows(connection, hour_ms, hour_ms + HOUR_MS):
        try:
            gathered.extend(decode(chunk))
        except ChunkDamagedError:
            continue  # the reader says so when it meets it
    connection.execute("DELETE FROM level10 WHERE start_ms = ?", (hour_ms,))
    for channel, columns in gathered.pieces.items():
        slots, body = pack_hour(columns, hour_ms) or (0, None)
        crc = None if body is None else crc_of(channel, hour_ms, slots, body)
        connection.execute(
            "INSERT INTO level10 (channel, start_ms, slots, crc, body) VALUES (?, ?, ?, ?, ?)",
            (channel, hour_ms, slots, crc, body),
        )


def was_thinned(connection: sqlite3.Connection, hour_ms: int) -> bool:
    """Whether readings of the hour were deleted on purpose."""
    found = connection.execute(
        "SELECT count(*) FROM ledger WHERE kind = ? AND start_ms < ? AND end_ms > ?",
        (ledger.Kind.REMOVED, hour_ms + HOUR_MS, hour_ms),
    ).fetchone()
    return bool(found[0])


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


def chunk_by_id(connection: sqlite3.Connection, number: int) -> Chunk:
    """The chunk of that id, which must be there."""
    found = connection.execute(f"SELECT {CHUNK_VALUES} FROM chunk WHERE id = ?", (number,))
    return Chunk(*found.fetchone())


def move_tail(connection: sqlite3.Connection) -> None:
    """Table tail of formats up to 5: its readings become chunks, its damage a gap."""
    found = connection.execute(f"SELECT {CHUNK_VALUES} FROM tail ORDER BY id").fetchall()
    records = [Chunk(*row) for row in found]
    damaged: list[Chunk] = []
    gathered = Gathered()
    gathered.extend(decoded(records, None, damaged))
    columns = merge(gathered)
    if columns:
        write_chunks(connection, columns, max(chunk.end_ms for chunk in records))
        connection.executemany(
            "UPDATE channel SET samples = samples + ?1, first_ms = min(ifnull(first_ms, ?2), ?2), "
            "last_ms = max(ifnull(last_ms, ?3), ?3) WHERE id = ?4",
            [(len(c.t_ms), int(c.t_ms[0]), int(c.t_ms[-1]), c.channel) for c in columns],
        )
    connection.executemany(
        "INSERT INTO gap (start_ms, end_ms, reason) VALUES (?, ?, 'stored readings are damaged')",
        [(chunk.start_ms, chunk.end_ms) for chunk in damaged],
    )


def decoded(
    found: Iterable[Chunk], channels: Collection[int] | None, damaged: list[Chunk]
) -> Iterator[Column]:
    """Columns of intact chunks; the others are added to ``damaged``."""
    for chunk in found:
        try:
            yield from decode(chunk, channels)
        except ChunkDamagedError:
            damaged.append(chunk)


def insert(connection: sqlite3.Connection, number: int, chunk: Chunk) -> None:
    connection.execute(
        f"INSERT INTO chunk (id, {CHUNK_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (number, chunk.start_ms, chunk.end_ms, chunk.samples, chunk.codec, chunk.crc, chunk.body),
    )
