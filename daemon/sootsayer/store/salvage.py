"""Rows out of a database that is damaged: forward to the damage, backward to it, and between."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

Row = dict[str, Any]
ORDERS = {"episode": "rule, start_ms", "state": "name"}  # tables without a number of their own


def rows(connection: sqlite3.Connection, table: str, notes: list[str] | None = None) -> list[Row]:
    """All rows of ``table`` that can be read, each once; what is wrong with it to ``notes``."""
    found, whole = (
        _unnumbered(connection, table) if table in ORDERS else _numbered(connection, table)
    )
    if not whole and notes is not None:
        notes.append(f"table {table} is damaged; {len(found)} rows of it could be read")
    return found


def _numbered(connection: sqlite3.Connection, table: str) -> tuple[list[Row], bool]:
    found: dict[int, Row] = {}
    for direction in ("ASC", "DESC"):
        whole = True
        try:
            for row in _walk(connection, f"SELECT rowid AS rowid_, * FROM {table} "
                             f"ORDER BY rowid {direction}"):  # fmt: skip
                found[row.pop("rowid_")] = row
        except sqlite3.Error:
            whole = False
        if whole:
            break
    if not whole:
        _between(connection, table, found)
    return [found[number] for number in sorted(found)], whole


def _between(connection: sqlite3.Connection, table: str, found: dict[int, Row]) -> None:
    """Ask for each number in the hole that the two walks left."""
    known = sorted(found)
    holes = [(a, b) for a, b in zip([0, *known], [*known, 0], strict=True) if b - a > 1]
    for after, before in holes:
        for number in range(after + 1, before):
            with suppress(sqlite3.Error):
                for row in _walk(connection, f"SELECT * FROM {table} WHERE rowid = ?", (number,)):
                    found[number] = row


def _unnumbered(connection: sqlite3.Connection, table: str) -> tuple[list[Row], bool]:
    found: dict[str, Row] = {}
    whole = 0
    order = ORDERS[table]
    for direction in ("ASC", "DESC"):
        columns = ", ".join(f"{name} {direction}" for name in order.split(", "))
        with suppress(sqlite3.Error):
            for row in _walk(connection, f"SELECT * FROM {table} ORDER BY {columns}"):
                found[repr([row[name] for name in order.split(", ")])] = row
            whole += 1
    return list(found.values()), whole == 2


def _walk(
    connection: sqlite3.Connection, sql: str, parameters: tuple[Any, ...] = ()
) -> Iterator[Row]:
    """Row by row, so that those before the damage are had."""
    cursor = connection.execute(sql, parameters)
    names = [column[0] for column in cursor.description]
    while (row := cursor.fetchone()) is not None:
        yield dict(zip(names, row, strict=True))
