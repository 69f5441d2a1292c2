"""Reads an archive while it is being written, never writes it.

Readings, time and the archive itself; what was found is in :mod:`sootsayer.store.found`. A stored
minute that is damaged is left out, like a gap, and named by :meth:`ArchiveReader.gaps`; a row that
is not what was written is left out too. :meth:`ArchiveReader.damage` names both.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

from sootsayer.model import Anchor, Batch, Gap, Scaling, Series
from sootsayer.store import query, readings, rows
from sootsayer.store.answers import AlertRow, BootRow, ChannelRow, CodeRow
from sootsayer.store.chunk import STRETCH_MS, Column
from sootsayer.store.envelope import Envelope
from sootsayer.store.found import Findings
from sootsayer.store.looking import BEGINNING_MS, DAMAGED, END_MS
from sootsayer.store.query import Damage
from sootsayer.store.verdict_form import verdict_form
from sootsayer.store.walltime import WallTimes

__all__ = [
    "BEGINNING_MS", "DAMAGED", "END_MS", "AlertRow", "ArchiveReader", "BootRow", "ChannelRow",
    "CodeRow",
]  # fmt: skip


class ArchiveReader(Findings):
    """Read-only view of an archive. Every method raises SootsayerError if it cannot be read."""

    # ------------------------------------------------------------ readings

    def channels(self) -> list[ChannelRow]:
        """Every channel and scaling, in order of first appearance, the tail counted."""
        with self._snapshot() as connection, self._noting_damage() as damage:
            found = query.whole_channels(connection, damage)
            tail = {column.channel: column for column in self._tail(connection).columns}
        return [_channel_row(row, tail.get(row["id"])) for row in found]

    def series(self, channel: str, start_ms: int, end_ms: int) -> list[Series]:
        """Readings with ``start < t <= end``, one series a scaling, empty ones left out."""
        with self._snapshot() as connection, self._noting_damage() as damage:
            scalings = _scalings(connection, channel, damage)
            tail = self._tail(connection)
            columns = query.read_columns(connection, scalings, start_ms, end_ms, tail, damage)
        return [
            Series(channel, scalings[column.channel], column.t_ms, column.raw) for column in columns
        ]

    def envelope(self, channel: str, start_ms: int, end_ms: int, width: int) -> Envelope:
        """Lowest, highest and mean in at most ``width`` columns over ``start < t <= end``."""
        with self._snapshot() as connection, self._noting_damage() as damage:
            scalings = _scalings(connection, channel, damage)
            span_ms = (start_ms, end_ms)
            tail = self._tail(connection)
            return query.read_envelope(connection, channel, scalings, span_ms, width, tail, damage)

    def batches(self, start_ms: int = BEGINNING_MS, end_ms: int = END_MS) -> Iterator[Batch]:
        """Replay ``start < t <= end`` minute by minute, events restored.

        Between two batches nothing is held, so replay may take as long as it likes.
        """
        while start_ms < end_ms:
            with self._snapshot() as connection, self._noting_damage() as damage:
                tail = self._tail(connection)
                found = query.read_batches(connection, start_ms, end_ms, tail, damage)
            if not found:
                return
            yield from found
            start_ms = found[-1].upto_ms

    def stretches(self, start_ms: int, end_ms: int) -> list[int]:
        """Starts of the ten minutes that may hold readings with ``start < t <= end``."""
        with self._snapshot() as connection:
            found = connection.execute(
                "SELECT start_ms FROM chunk WHERE start_ms >= ? AND start_ms < ?",
                (start_ms // STRETCH_MS * STRETCH_MS, end_ms),
            ).fetchall()
            tail = self._tail(connection).columns
        stored = {row[0] // STRETCH_MS for row in found}
        stored.update(*((column.t_ms - 1) // STRETCH_MS for column in tail))
        starts_ms = [int(stretch) * STRETCH_MS for stretch in sorted(stored)]
        return [at_ms for at_ms in starts_ms if start_ms - STRETCH_MS < at_ms < end_ms]

    # ------------------------------------------------------------ findings

    def verdict(self) -> dict[str, Any] | None:
        """The last verdict as pages and ``judge --json`` show it, None before the first."""
        verdict = self.last_verdict()
        if verdict is None:
            return None
        times = self.wall_times()
        return verdict_form(verdict, lambda t_ms: times.wall_ms(t_ms)[0])

    # ------------------------------------------------------------ the archive itself

    def gaps(self) -> list[Gap]:
        """Recorded gaps, and minutes this reader found damaged so far."""
        kept: list[Gap] = self._values(Gap, "SELECT * FROM gap")
        return sorted(kept + self._damage(), key=lambda gap: gap.start_ms)

    def anchors(self) -> list[Anchor]:
        return self._values(Anchor, "SELECT * FROM anchor ORDER BY t_ms, id")

    def boots(self) -> list[BootRow]:
        columns = "id", "boot_id", "offset_ms", "started_ms"
        return [BootRow(*(row[name] for name in columns)) for row in self._boot_rows()]

    def _boot_rows(self) -> list[sqlite3.Row]:
        return self._whole("boot", "SELECT * FROM boot ORDER BY id")

    def wall_times(self) -> WallTimes:
        """For many stamps: wall time of any log time as known now."""
        with self._snapshot() as connection:
            boots = self._boot_rows()
            starts_ms = [int(boot["started_ms"]) for boot in boots]
            return WallTimes(starts_ms, self.anchors(), _boot_ends(connection, boots))

    def wall_ms(self, t_ms: int) -> tuple[int, bool]:
        """Unix time in ms of a log time, and whether it can be trusted."""
        return self.wall_times().wall_ms(t_ms)

    def span(self) -> tuple[int, int] | None:
        """First and last stamp of all readings, None without any."""
        known = [row for row in self.channels() if row.first_ms is not None]
        if not known:
            return None
        first = min(row.first_ms for row in known if row.first_ms is not None)
        return first, max(row.last_ms for row in known if row.last_ms is not None)

    def size(self) -> dict[str, int | float | None]:
        """``bytes`` on disk, its log included, ``samples``, ``chunks``, ``bytes_per_sample``."""
        files = [self._path, self._path.with_name(f"{self._path.name}-wal")]
        size_bytes = sum(file.stat().st_size for file in files if file.exists())
        samples = sum(row.samples for row in self.channels())
        chunks = self._rows("SELECT count(start_ms) FROM chunk")[0][0]
        ratio = size_bytes / samples if samples else None
        return {
            "bytes": size_bytes,
            "samples": samples,
            "chunks": chunks,
            "bytes_per_sample": ratio,
        }

    def check(self) -> list[Gap]:
        """Decode every stored minute; what is damaged. Reads the whole archive."""
        with self._snapshot() as connection, self._noting_damage() as damage:
            found = readings.chunk_rows(connection, BEGINNING_MS, END_MS)
            counts: Counter[int] = Counter()
            for column in readings.decoded(found, None, damage.chunks):
                counts[column.channel] += len(column.t_ms)
            damage.chunks += [
                record.chunk
                for record in self._thread.records
                if record.chunk.samples and not record.columns()
            ]
            problems = connection.execute("PRAGMA integrity_check").fetchall()
            broken = [Gap(0, 0, f"file: {row[0]}") for row in problems if row[0] != "ok"]
            broken += [Gap(0, 0, text) for text in rows.damaged(connection)]
            if not damage.chunks:
                broken += [Gap(0, 0, text) for text in _wrong_counts(connection, counts)]
        if torn := self._ring.torn(self._salt):
            broken.append(Gap(0, 0, f"ring: {torn} blocks were cut off while written, or damaged"))
        return self._damage() + broken


def _scalings(connection: sqlite3.Connection, channel: str, damage: Damage) -> dict[int, Scaling]:
    found = query.read_channels(connection, damage, channel)
    return {number: scaling for number, (_, scaling) in found.items()}


def _wrong_counts(connection: sqlite3.Connection, counts: Counter[int]) -> Iterator[str]:
    """What table channel says of its chunks, where that is not so."""
    for number, samples in connection.execute("SELECT id, samples FROM channel").fetchall():
        if samples != counts[number]:
            yield f"table channel, id {number}: says {samples} readings, has {counts[number]}"


def _boot_ends(connection: sqlite3.Connection, boots: Sequence[sqlite3.Row]) -> list[int | None]:
    """The last stored log time before each next boot; None for the last."""
    ends_ms: list[int | None] = []
    for boot, after in pairwise(boots):
        start_ms, next_ms, before_ms = boot["started_ms"], after["started_ms"], after["before_ms"]
        if before_ms is None:  # a boot of a format before 7
            before_ms = _last_before(connection, next_ms)
        ends_ms.append(min(max(before_ms or start_ms, start_ms), next_ms))
    return [*ends_ms, *([None] if boots else [])]


def _last_before(connection: sqlite3.Connection, t_ms: int) -> int | None:
    found = connection.execute(
        "SELECT max(t) FROM (SELECT end_ms AS t FROM (SELECT end_ms FROM chunk "
        "WHERE start_ms < ?1 ORDER BY start_ms DESC LIMIT 1) "
        "UNION ALL SELECT max(t_ms) FROM anchor WHERE t_ms < ?1)",
        (t_ms,),
    ).fetchone()
    return None if found[0] is None else int(found[0])


def _channel_row(row: sqlite3.Row, tail: Column | None) -> ChannelRow:
    scaling = query.scaling_of(row)
    first_ms, last_ms, samples = row["first_ms"], row["last_ms"], row["samples"]
    if tail is not None:
        ends_ms = [int(tail.t_ms[0]), int(tail.t_ms[-1])]
        known_ms = [t_ms for t_ms in (first_ms, last_ms) if t_ms is not None]
        first_ms, last_ms = min(ends_ms + known_ms), max(ends_ms + known_ms)
        samples += len(tail.t_ms)
    return ChannelRow(row["id"], row["name"], scaling, first_ms, last_ms, samples)
