"""Questions about readings, on a connection that is in a transaction: spans, plots, replay.

What is damaged, a stored minute or a row, is left out and noted in ``damage``.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import zstandard

from sootsayer.model import Batch, Scaling, Series
from sootsayer.store import rows
from sootsayer.store.chunk import STRETCH_MS, Chunk, Column
from sootsayer.store.envelope import Envelope, column_edges, fold, uses_level
from sootsayer.store.level import HOUR_MS, SLOT_MS, Pieces, crc_of, hour_of, single, unpack_hour
from sootsayer.store.minutes import Gathered, between, merge
from sootsayer.store.readings import chunk_rows, decoded, level_upto_ms
from sootsayer.store.ring_view import Tail

REPLAY_MS = 3 * STRETCH_MS  # read at a time: about half a million readings, 8 MB
Scalings = Mapping[int, Scaling]


@dataclass(slots=True)
class Damage:
    """What was found damaged while answering: stored minutes, and rows by table and name."""

    chunks: list[Chunk] = field(default_factory=list)
    rows: list[str] = field(default_factory=list)

    def passes(self, table: str, row: sqlite3.Row) -> bool:
        """Whether a row is what was written; noted if it is not."""
        try:
            rows.checked(table, dict(row))
        except rows.RowDamagedError as damage:
            self.rows.append(str(damage))
            return False
        return True


def read_columns(
    connection: sqlite3.Connection,
    channels: Scalings,
    start_ms: int,
    end_ms: int,
    tail: Tail,
    damage: Damage,
) -> list[Column]:
    """Readings with ``start < t <= end`` of some channels, ascending, empty ones left out."""
    if start_ms >= end_ms or not channels:
        return []
    gathered = Gathered()
    gathered.extend(decoded(chunk_rows(connection, start_ms, end_ms), channels, damage.chunks))
    gathered.extend(column for column in tail.columns if column.channel in channels)
    columns = [between(column, start_ms, end_ms) for column in merge(gathered)]
    return [column for column in columns if len(column.t_ms)]


def read_envelope(
    connection: sqlite3.Connection,
    channel: str,
    scalings: Scalings,
    span_ms: tuple[int, int],
    width: int,
    tail: Tail,
    damage: Damage,
) -> Envelope:
    """From the 10 s level where columns are wide and hours are over, else from readings."""
    start_ms, end_ms = span_ms
    pieces: dict[int, list[Pieces]] = {number: [] for number in scalings}

    def read(channels: Scalings, start_ms: int, end_ms: int) -> None:
        for column in read_columns(connection, channels, start_ms, end_ms, tail, damage):
            pieces[column.channel].append(single(column.t_ms, column.raw))

    first_ms = last_ms = end_ms
    if uses_level(start_ms, end_ms, width):
        first_ms = -(-start_ms // SLOT_MS) * SLOT_MS
        last_ms = max(first_ms, min(end_ms // SLOT_MS * SLOT_MS, level_upto_ms(connection)))
    read(scalings, start_ms, first_ms)
    for number, scaling in scalings.items():
        for hour_ms, slots in _levels(connection, number, first_ms, last_ms):
            if slots is None:
                hour_end_ms = min(hour_ms + HOUR_MS, last_ms)
                read({number: scaling}, max(hour_ms, first_ms), hour_end_ms)
            else:
                pieces[number].append(slots)
    read(scalings, last_ms, end_ms)
    edges_ms = column_edges(start_ms, end_ms, width)
    return fold(channel, edges_ms, [(scalings[number], pieces[number]) for number in scalings])


def _levels(
    connection: sqlite3.Connection, channel: int, first_ms: int, last_ms: int
) -> Iterator[tuple[int, Pieces | None]]:
    """Hours and their slots in ``first < slot <= last``; None where readings must do."""
    found = connection.execute(
        "SELECT start_ms, slots, crc, body FROM level10 WHERE channel = ? AND start_ms >= ? "
        "AND start_ms < ? ORDER BY start_ms",
        (channel, hour_of(first_ms + 1), last_ms),
    ).fetchall()
    for hour_ms, count, crc, body in found:
        try:
            whole = body is not None and crc_of(channel, hour_ms, count, body) == crc
            slots = unpack_hour(body, hour_ms) if whole else None
        except (ValueError, IndexError, zstandard.ZstdError):
            slots = None
        yield hour_ms, None if slots is None else slots.between(first_ms, last_ms)


def read_batches(
    connection: sqlite3.Connection, start_ms: int, end_ms: int, tail: Tail, damage: Damage
) -> list[Batch]:
    """The next half hour of ``start < t <= end`` that holds anything, as batches of minutes.

    Together with the last ``upto_ms`` as the next ``start_ms`` this replays everything once.
    Empty when nothing is left.
    """
    found = connection.execute(
        "SELECT start_ms FROM chunk WHERE start_ms >= ? AND end_ms > ? AND start_ms < ? "
        "ORDER BY start_ms LIMIT 1",
        (start_ms // STRETCH_MS * STRETCH_MS, start_ms, end_ms),
    ).fetchone()
    if found is None:
        return _last_batch(connection, start_ms, end_ms, tail, damage)
    minutes: dict[int, list[Chunk]] = {}
    for chunk in chunk_rows(connection, max(start_ms, found[0]), min(end_ms, found[0] + REPLAY_MS)):
        minutes.setdefault(chunk.start_ms, []).append(chunk)
    ends_ms = [min(end_ms, max(chunk.end_ms for chunk in kept)) for kept in minutes.values()]
    events = read_events(connection, start_ms, ends_ms[-1], damage)
    channels = read_channels(connection, damage)
    batches = []
    for upto_ms, kept in zip(ends_ms, minutes.values(), strict=True):
        columns = decoded(kept, None, damage.chunks)
        batches.append(_batch(columns, events, channels, (start_ms, upto_ms)))
        start_ms = upto_ms
    return batches


def _last_batch(
    connection: sqlite3.Connection, start_ms: int, end_ms: int, tail: Tail, damage: Damage
) -> list[Batch]:
    """What is in the tail, and events after the last reading."""
    events = read_events(connection, start_ms, end_ms, damage)
    ends_ms = [event.t_ms for event in events]
    if tail.end_ms is not None:
        ends_ms.append(min(tail.end_ms, end_ms))
    upto_ms = max(ends_ms, default=start_ms)
    if upto_ms <= start_ms:
        return []
    channels = read_channels(connection, damage)
    return [_batch(tail.columns, events, channels, (start_ms, upto_ms))]


def _batch(
    columns: Iterable[Column],
    events: Sequence[rows.Event],
    channels: Mapping[int, tuple[str, Scaling]],
    span_ms: tuple[int, int],
) -> Batch:
    gathered = Gathered()
    gathered.extend(columns)
    series = tuple(
        Series(*channels[column.channel], column.t_ms, column.raw)
        for column in (between(column, *span_ms) for column in merge(gathered))
        if len(column.t_ms) and column.channel in channels
    )
    start_ms, upto_ms = span_ms
    inside = tuple(event for event in events if start_ms < event.t_ms <= upto_ms)
    return Batch(upto_ms, series, inside)


def read_channels(
    connection: sqlite3.Connection, damage: Damage, name: str | None = None
) -> dict[int, tuple[str, Scaling]]:
    """id → name and scaling of all channels, or of those with one name."""
    return {
        row["id"]: (row["name"], scaling_of(row))
        for row in whole_channels(connection, damage)
        if name is None or row["name"] == name
    }


def whole_channels(connection: sqlite3.Connection, damage: Damage) -> list[sqlite3.Row]:
    """Rows of table channel. One that is damaged could be another channel, or another scale."""
    found = connection.execute("SELECT * FROM channel ORDER BY id").fetchall()
    return [row for row in found if damage.passes("channel", row)]


def scaling_of(row: Mapping[str, Any] | sqlite3.Row) -> Scaling:
    return Scaling(row["scaling"], row["scale"], row["offset"], row["unit"])


def read_events(
    connection: sqlite3.Connection, start_ms: int, end_ms: int, damage: Damage
) -> list[rows.Event]:
    """Codes, identities and statuses with ``start < t <= end``, as they arrived."""
    found = [
        (row["t_ms"], row["id"], rows.from_row(kind, row))
        for kind, table in rows.EVENT_TABLES.items()
        for row in connection.execute(
            f"SELECT * FROM {table} WHERE t_ms > ? AND t_ms <= ?", (start_ms, end_ms)
        ).fetchall()
        if damage.passes(table, row)
    ]
    return [event for _, _, event in sorted(found, key=lambda row: row[:2])]
