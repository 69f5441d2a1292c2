"""Readings as a plain SQLite file, one row a reading, for any SQL tool.

Table ``reading``: utc (ISO 8601 text), log_ms, channel, value, unit, raw, scaling; ordered by
time within ten minutes. Twenty-five bytes a reading and more: for a look, not for keeping.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from pathlib import Path

from sootsayer.model import Series
from sootsayer.store.walltime import WallTimes, utc_text


def write_rows(path: Path, times: WallTimes, windows: Iterable[list[Series]]) -> int:
    """Make the file at ``path``, which must not exist; the number of rows."""
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        # It is made anew if anything goes wrong, so it need not survive that.
        connection.execute("PRAGMA journal_mode = off")
        connection.execute("PRAGMA synchronous = off")
        connection.execute(
            "CREATE TABLE reading (utc TEXT, log_ms INTEGER, channel TEXT, value REAL, unit TEXT, "
            "raw INTEGER, scaling TEXT)"
        )
        connection.execute("BEGIN")
        count = 0
        for window in windows:
            rows = sorted(row for series in window for row in _rows(series, times))
            connection.executemany(
                "INSERT INTO reading (log_ms, utc, channel, value, unit, raw, scaling) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                rows,
            )
            count += len(rows)
        connection.execute("CREATE INDEX reading_by_channel ON reading (channel, log_ms)")
        connection.execute("COMMIT")
    finally:
        connection.close()
    return count


def _rows(series: Series, times: WallTimes) -> Iterable[tuple[object, ...]]:
    scaling = series.scaling
    for t_ms, value, raw in zip(
        series.t_ms.tolist(), series.values().tolist(), series.raw.tolist(), strict=True
    ):
        utc = utc_text(times.wall_ms(t_ms)[0])
        yield t_ms, utc, series.channel, value, scaling.unit, raw, scaling.name
