"""What was found and remarked, as values: alerts, chances, openings, trips, codes, marks.

A row that is not what was written is left out and named by :meth:`Looking.damage`.
"""

from __future__ import annotations

import sqlite3
from typing import Any

from sootsayer.model import (
    Alert,
    AlertState,
    CodeSeen,
    CodesRead,
    CodeStatus,
    Episode,
    Identity,
    Link,
    Mark,
    Opening,
    SourceStatus,
    Trip,
    Verdict,
)
from sootsayer.store import rows
from sootsayer.store.answers import AlertRow, CodeRow
from sootsayer.store.looking import Looking, span_or_all
from sootsayer.store.plain import from_plain


class Findings(Looking):
    """The tables for people."""

    def alerts(self, link: Link | None = None, state: AlertState | None = None) -> list[AlertRow]:
        """Alerts, last evidence first."""
        # Chosen here and not by SQL: a row whose link has lost a bit is to be met, and named.
        found = self._whole("alert", "SELECT * FROM alert ORDER BY last_ms DESC, id DESC")
        with self._readable():
            alerts = [AlertRow(row["id"], rows.from_row(Alert, row)) for row in found]
        return [
            row
            for row in alerts
            if link in (None, row.alert.link) and state in (None, row.alert.state)
        ]

    def alert(self, number: int) -> AlertRow | None:
        return next((row for row in self.alerts() if row.id == number), None)

    def episodes(
        self, rule: str, start_ms: int | None = None, end_ms: int | None = None
    ) -> list[Episode]:
        """Chances a rule judged that touch the span, oldest first."""
        return self._values(
            Episode,
            "SELECT * FROM episode WHERE rule = ? AND end_ms > ? AND start_ms < ? "
            "ORDER BY start_ms",
            (rule, *span_or_all(start_ms, end_ms)),
        )

    def openings(self, start_ms: int | None = None, end_ms: int | None = None) -> list[Opening]:
        """Openings that touch the span, oldest first."""
        return self._values(
            Opening,
            "SELECT * FROM opening WHERE end_ms > ? AND start_ms < ? ORDER BY number",
            span_or_all(start_ms, end_ms),
        )

    def trips(self) -> list[Trip]:
        return self._values(Trip, "SELECT * FROM trip ORDER BY number")

    def last_verdict(self) -> Verdict | None:
        """The last verdict as the value it was, in log time."""
        plain = self.state("verdict")
        verdict: Verdict | None = None if plain is None else from_plain(Verdict, plain)
        return verdict

    # ------------------------------------------------------------ events and remarks

    def codes(self) -> list[CodeRow]:
        """Trouble codes ever seen, last seen first."""
        of = "FROM code GROUP BY unit, code, status"
        with self._snapshot():
            counts = {
                tuple(row)[:3]: row[3]
                for row in self._rows(f"SELECT unit, code, status, count(*) {of}")
            }
            ends = self._whole_or_all(
                "code",
                f"SELECT id FROM (SELECT id, min(t_ms) {of}) "
                f"UNION SELECT id FROM (SELECT id, max(t_ms) {of})",
            )
        seen_ms: dict[tuple[str, str, str], list[int]] = {}
        for row in ends:
            seen_ms.setdefault((row["unit"], row["code"], row["status"]), []).append(row["t_ms"])
        found = [
            CodeRow(*key[:2], CodeStatus(key[2]), min(stamps), max(stamps), counts[key])
            for key, stamps in seen_ms.items()
        ]
        return sorted(sorted(found, key=lambda row: row.code), key=lambda row: -row.last_ms)

    def code_looks(self) -> list[CodesRead]:
        """The last completed look of each control unit and kind."""
        return self._last_of(CodesRead, "unit", "status")

    def codes_seen(self, start_ms: int | None = None, end_ms: int | None = None) -> list[CodeSeen]:
        return self._values(
            CodeSeen,
            "SELECT * FROM code WHERE t_ms > ? AND t_ms <= ? ORDER BY t_ms, id",
            span_or_all(start_ms, end_ms),
        )

    def looks(self, start_ms: int | None = None, end_ms: int | None = None) -> list[CodesRead]:
        """Every completed look for codes with ``start < t <= end``, also those that found none."""
        return self._values(
            CodesRead,
            "SELECT * FROM code_look WHERE t_ms > ? AND t_ms <= ? ORDER BY t_ms, id",
            span_or_all(start_ms, end_ms),
        )

    def identities(self) -> list[Identity]:
        """What each control unit and adapter last said of itself."""
        return self._last_of(Identity, "unit", "key")

    def statuses(
        self, start_ms: int | None = None, end_ms: int | None = None
    ) -> list[SourceStatus]:
        return self._values(
            SourceStatus,
            "SELECT * FROM source_status WHERE t_ms > ? AND t_ms <= ? ORDER BY t_ms, id",
            span_or_all(start_ms, end_ms),
        )

    def marks(self) -> list[Mark]:
        return self._values(Mark, "SELECT * FROM mark ORDER BY t_ms, id")

    def _last_of(self, kind: Any, *keys: str) -> list[Any]:
        """The newest value for each combination of ``keys``."""
        table, columns = rows.TABLES[kind], ", ".join(keys)
        newest = f"SELECT id FROM (SELECT id, max(t_ms) FROM {table} GROUP BY {columns})"
        last = {
            tuple(row[key] for key in keys): row
            for row in sorted(self._whole_or_all(table, newest), key=lambda row: row["t_ms"])
        }
        with self._readable():
            return [rows.from_row(kind, last[key]) for key in sorted(last)]

    def _whole_or_all(self, table: str, ids: str) -> list[sqlite3.Row]:
        """The rows that ``ids`` selects, or all whole ones if any of those is damaged."""
        sql = f"SELECT * FROM {table}"
        chosen = f"{sql} WHERE id IN ({ids})"
        with self._snapshot():
            whole = self._whole(table, chosen)
            return whole if len(whole) == len(self._rows(chosen)) else self._whole(table, sql)
