"""Which log time a boot gets, and up to when an archive holds anything."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

LAST_EVENT = """
    SELECT max(number) FROM (
        SELECT max(id) AS number FROM code UNION ALL SELECT max(id) FROM code_look
        UNION ALL SELECT max(id) FROM identity UNION ALL SELECT max(id) FROM source_status)
"""
LAST_STORED = """
    SELECT max(t) FROM (
        SELECT max(last_ms) AS t FROM channel
        UNION ALL SELECT end_ms FROM (
            SELECT end_ms FROM ledger WHERE kind <> 'removed' ORDER BY id DESC LIMIT 1)
        UNION ALL SELECT max(t_ms) FROM anchor UNION ALL SELECT max(end_ms) FROM gap
        UNION ALL SELECT max(t_ms) FROM mark UNION ALL SELECT max(t_ms) FROM source_status
        UNION ALL SELECT max(t_ms) FROM identity UNION ALL SELECT max(t_ms) FROM code_look
        UNION ALL SELECT max(t_ms) FROM code)
"""


@dataclass(frozen=True, slots=True)
class Boot:
    """``log time = boot time + offset_ms``. ``number``: its row, None if it has none yet."""

    number: int | None
    offset_ms: int


def boot_of(
    connection: sqlite3.Connection, boot_id: str, boottime_ms: int, wall_ms: int, last_ms: int
) -> Boot:
    """A boot that is known keeps its offset. A new one gets the wall clock's, if that is later
    than ``last_ms``, all that is stored, else the first millisecond after."""
    known = connection.execute(
        "SELECT id, offset_ms FROM boot WHERE boot_id = ? ORDER BY id DESC", (boot_id,)
    ).fetchone()
    if known and boottime_ms + known[1] >= last_ms:
        return Boot(int(known[0]), int(known[1]))
    return Boot(None, max(wall_ms, last_ms + 1) - boottime_ms)


def number(connection: sqlite3.Connection, sql: str) -> int:
    return int(connection.execute(sql).fetchone()[0] or 0)
