"""What an archive lets go of, in stages: by age, and sooner when room is short.

1. Full rate everywhere.
2. Full rate around alerts, marks and codes; elsewhere the 10 s level is left.
3. Full rate around alerts; nothing else but the tables of findings.
4. Only when room is short even then: readings around alerts too, oldest first.

What an evidence pack refers to (table ``held``) is never touched, nor are alerts, trips, codes
and marks themselves. Each removal is an entry in the chain that says why.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from sootsayer.model import IntArray
from sootsayer.store import ledger, rows
from sootsayer.store.chunk import ChunkDamagedError, decode
from sootsayer.store.level import HOUR_MS
from sootsayer.store.readings import chunk_by_id, discount_readings, level_upto_ms

DAY_MS = 86_400_000
CHUNKS_AT_ONCE = 12  # two hours of driving: a Pi counts them in a second, so a commit is not late
LEVELS_AT_ONCE = 2_000  # rows of the 10 s level: a day of 80 channels
PAGES_AT_ONCE = 256  # 1 MB given back to the file system at a time
MB = 1_000_000
Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Policy:
    """How long what is kept. ``most_mb`` 0: as much as the disk has."""

    full_days: float
    around_days: float
    around_s: float
    most_mb: float
    least_free_mb: float


@dataclass(frozen=True, slots=True)
class Tidied:
    """What one call did. ``short``: there is too little room; ``stuck``: and nothing to remove."""

    samples: int = 0
    why: str = ""
    short: bool = False
    stuck: bool = False


class Spans:
    """Stretches of log time, asked whether any of them touches another."""

    def __init__(self, spans: Iterable[Span]) -> None:
        ordered = sorted(spans)
        self._starts: IntArray = np.array([start for start, _ in ordered], np.int64)
        ends = np.array([end for _, end in ordered], np.int64)
        self._ends: IntArray = np.maximum.accumulate(ends) if len(ends) else ends

    def touch(self, start_ms: int, end_ms: int) -> bool:
        before = int(np.searchsorted(self._starts, end_ms))  # spans that begin before its end
        return before > 0 and bool(self._ends[before - 1] > start_ms)


def is_short(connection: sqlite3.Connection, policy: Policy, free_bytes: int) -> bool:
    """Whether the archive is larger, or the disk fuller, than the policy allows."""
    pages, unused, size = (
        int(connection.execute(f"PRAGMA {name}").fetchone()[0])
        for name in ("page_count", "freelist_count", "page_size")
    )
    too_large = 0 < policy.most_mb * MB < (pages - unused) * size
    return too_large or free_bytes < policy.least_free_mb * MB


def tidy(connection: sqlite3.Connection, policy: Policy, now_ms: int, short: bool) -> Tidied:
    """Remove a little of what is due, in the transaction that is open."""
    around = Spans(_alerts(connection, policy) + _remarks(connection, policy) + _held(connection))
    alone = Spans(_alerts(connection, policy) + _held(connection))
    held = Spans(_held(connection))
    full_ms, around_ms = (
        now_ms - round(days * DAY_MS) for days in (policy.full_days, policy.around_days)
    )
    steps = [
        (full_ms, around, f"older than {policy.full_days:g} days"),
        (around_ms, alone, f"older than {policy.around_days:g} days"),
    ]
    if short:
        today_ms = now_ms - DAY_MS
        steps += [(today_ms, spans, "room was short") for spans in (around, alone, held)]
    for before_ms, kept, why in steps:
        samples = _remove_chunks(connection, before_ms, kept, why)
        if samples:
            return Tidied(samples, why, short)
        if kept is not around and _remove_levels(connection, before_ms, kept, why):
            return Tidied(0, why, short)
    return Tidied(short=short, stuck=short)


def give_back(connection: sqlite3.Connection) -> None:
    """Unused pages to the file system; outside any transaction."""
    connection.execute(f"PRAGMA incremental_vacuum({PAGES_AT_ONCE})").fetchall()


# ---------------------------------------------------------------- what is kept


def _alerts(connection: sqlite3.Connection, policy: Policy) -> list[Span]:
    """Around the moments of every alert and the failed chances it counts."""
    moments = connection.execute(
        "SELECT first_ms, first_ms FROM alert UNION ALL SELECT raised_ms, raised_ms FROM alert "
        "UNION ALL SELECT last_ms, last_ms FROM alert "
        "UNION ALL SELECT cleared_ms, cleared_ms FROM alert WHERE cleared_ms IS NOT NULL "
        "UNION ALL SELECT e.start_ms, e.end_ms FROM episode e JOIN alert a ON a.rule = e.rule "
        "WHERE e.failed AND e.end_ms >= a.first_ms AND e.start_ms <= a.last_ms"
    ).fetchall()
    return _widened(moments, policy)


def _remarks(connection: sqlite3.Connection, policy: Policy) -> list[Span]:
    """Around marks, and around each code's first and last look of a trip or so."""
    moments = connection.execute(
        "SELECT t_ms, t_ms FROM mark UNION ALL "
        "SELECT min(t_ms), min(t_ms) FROM code GROUP BY unit, code, status UNION ALL "
        "SELECT max(t_ms), max(t_ms) FROM code GROUP BY unit, code, status"
    ).fetchall()
    return _widened(moments, policy)


def _held(connection: sqlite3.Connection) -> list[Span]:
    return list(connection.execute("SELECT start_ms, end_ms FROM held").fetchall())


def _widened(moments: Sequence[Span], policy: Policy) -> list[Span]:
    by_ms = round(policy.around_s * 1000)
    return [(start - by_ms, end + by_ms) for start, end in moments]


# ---------------------------------------------------------------- what goes


def _remove_chunks(connection: sqlite3.Connection, before_ms: int, kept: Spans, why: str) -> int:
    """The oldest chunks that no span touches; how many readings they held.

    Only of hours whose 10 s level was written: without it nothing at all would be left.
    """
    found = connection.execute(
        "SELECT id, start_ms, end_ms, samples FROM chunk WHERE end_ms <= ? ORDER BY start_ms, id",
        (min(before_ms, level_upto_ms(connection)),),
    ).fetchall()
    gone = [row for row in found if not kept.touch(row[1], row[2])][:CHUNKS_AT_ONCE]
    if not gone or _is_unsure(connection):
        return 0
    for number, *_ in gone:
        _discount(connection, number)
    ids = [row[0] for row in gone]
    connection.executemany("DELETE FROM chunk WHERE id = ?", [(number,) for number in ids])
    samples = sum(int(row[3]) for row in gone)
    span_ms = min(row[1] for row in gone), max(row[2] for row in gone)
    ledger.append(connection, ledger.Kind.REMOVED, span_ms, samples, ledger.NOTHING, ids, why)
    return samples


def _discount(connection: sqlite3.Connection, number: int) -> None:
    """Take a chunk's readings off their channels' counts."""
    try:
        columns = decode(chunk_by_id(connection, number))
    except ChunkDamagedError:
        return
    discount_readings(connection, columns)


def _remove_levels(connection: sqlite3.Connection, before_ms: int, kept: Spans, why: str) -> bool:
    """The 10 s level of hours that no span touches and that hold no chunk any more."""
    hours = connection.execute(
        "SELECT DISTINCT start_ms FROM level10 WHERE start_ms <= ? AND start_ms < "
        "(SELECT max(start_ms) FROM level10) ORDER BY start_ms",
        (before_ms - HOUR_MS,),
    ).fetchall()
    gone = [hour for (hour,) in hours if not kept.touch(hour, hour + HOUR_MS)]
    if not gone or _is_unsure(connection):
        return False
    removed: list[int] = []
    count = 0
    for hour in gone:
        if count >= LEVELS_AT_ONCE or _has_chunk(connection, hour):
            break
        count += connection.execute("DELETE FROM level10 WHERE start_ms = ?", (hour,)).rowcount
        removed.append(hour)
    if removed:
        span_ms = removed[0], removed[-1] + HOUR_MS
        ledger.append(
            connection, ledger.Kind.REMOVED, span_ms, 0, ledger.NOTHING, (), f"10 s level, {why}"
        )
    return bool(removed)


def _is_unsure(connection: sqlite3.Connection) -> bool:
    """What must stay hangs on these rows; a bit that flipped must not cost evidence."""
    return any(rows.damaged(connection, ("alert", "mark", "code", "held")))


def _has_chunk(connection: sqlite3.Connection, hour_ms: int) -> bool:
    return (
        connection.execute(
            "SELECT 1 FROM chunk WHERE start_ms >= ? AND start_ms < ? LIMIT 1",
            (hour_ms, hour_ms + HOUR_MS),
        ).fetchone()
        is not None
    )
