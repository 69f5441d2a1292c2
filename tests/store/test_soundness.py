"""Damage in tables: met by whoever asks for it, and by the look that nobody asks for."""

from __future__ import annotations

import errno
import os
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from sootsayer.live.soundness import Soundness
from sootsayer.model import Alert, Batch, CodeStatus, Link, SootsayerError
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.soundness import unsound
from store.everything import START, put_everything

Until = Callable[[Callable[[], object], str], None]


@pytest.fixture
def kept(path: Path, drive: Callable[..., Iterator[Batch]], alert: Callable[..., Alert]) -> Path:
    with Archive.open(path) as archive:
        archive.begin_boot("a", 0, START, True)
        for batch in drive(700, 50_000):
            archive.append(batch)
        put_everything(archive, alert)
        archive.put_state("long", list(range(2_000)))
    return path


def spoil(path: Path, sql: str) -> None:
    connection = sqlite3.connect(path)
    assert connection.execute(sql).rowcount
    connection.commit()
    connection.close()


@pytest.mark.parametrize(
    ("sql", "ask", "left"),
    [
        ("UPDATE alert SET seen = 7 WHERE id = 1", lambda r: r.alerts(), 1),
        ("UPDATE alert SET link = 'move' WHERE id = 1", lambda r: r.alerts(Link.MOVE), 0),
        ("UPDATE alert SET seen = 7 WHERE id = 1", lambda r: [r.alert(1)] * bool(r.alert(1)), 0),
        ("UPDATE trip SET distance_km = 2", lambda r: r.trips(), 0),
        ("UPDATE mark SET text = 'jo1t'", lambda r: r.marks(), 0),
        ("UPDATE mark SET crc = NULL", lambda r: r.marks(), 0),
        ("UPDATE code SET code = 'P0402' WHERE t_ms % 10 = 2", lambda r: r.codes(), 1),
        ("UPDATE code_look SET count = 0 WHERE t_ms % 10 = 3", lambda r: r.code_looks(), 1),
        ("UPDATE identity SET value = 'X' WHERE t_ms % 10 = 3", lambda r: r.identities(), 1),
        ("UPDATE anchor SET wall_ms = 5 WHERE source = 'ntp'", lambda r: r.anchors(), 1),
        ("UPDATE boot SET offset_ms = 5", lambda r: r.boots(), 0),
        ("UPDATE channel SET scale = 0.5 WHERE name = 'rpm'", lambda r: r.channels(), 1),
        ("UPDATE channel SET scale = 0.5", lambda r: r.series("rpm", 0, 1 << 60), 0),
        ("UPDATE state SET value = '7' WHERE name = 'long'", lambda r: r.state("long") or [], 0),
    ],
)
def test_a_spoiled_row_is_not_served_but_named(
    kept: Path, sql: str, ask: Callable[[ArchiveReader], list[object]], left: int
) -> None:
    table = sql.split()[1]
    spoil(kept, sql)
    with ArchiveReader(kept) as reader:
        assert len(ask(reader)) == left
        assert any(f"table {table}, row" in text for text in reader.damage())
    assert any(f"table {table}, row" in text for text in unsound(kept))


def test_the_newest_whole_row_stands_in_for_a_spoiled_one(kept: Path) -> None:
    spoil(kept, f"UPDATE identity SET value = 'X' WHERE t_ms = {START + 3}")
    spoil(kept, f"UPDATE code SET status = 'pending' WHERE t_ms = {START + 1}")
    with ArchiveReader(kept) as reader:
        assert [word.value for word in reader.identities()] == ["TEST2"]
        assert [(row.status, row.first_ms) for row in reader.codes()] == [
            (CodeStatus.CONFIRMED, START + 2)
        ]


def test_of_a_ring_that_may_be_another_nothing_is_guessed(kept: Path) -> None:
    """The row says which blocks count; without it readings could vanish in silence."""
    spoil(kept, "UPDATE state SET value = replace(value, 'salt', 'salu') WHERE name = 'ring'")
    for opened in (ArchiveReader, Archive.open):
        with pytest.raises(SootsayerError, match="row ring"):
            opened(kept)


def test_a_minute_and_a_row_that_an_index_hides_are_met_by_the_look(kept: Path) -> None:
    assert list(unsound(kept)) == []
    spoil(kept, "UPDATE chunk SET body = zeroblob(length(body)) WHERE id = 1")
    connection = sqlite3.connect(kept)
    connection.execute("PRAGMA writable_schema = 1")
    connection.execute("UPDATE sqlite_master SET sql = replace(sql, '(\"start_ms\")', '(end_ms)') "
                       "WHERE name = 'idx_chunk_start_ms'")  # fmt: skip
    connection.commit()
    connection.close()
    found = list(unsound(kept))
    assert "table chunk, row 1: readings are not what was written" in found
    assert any("idx_chunk_start_ms" in text for text in found)


def test_the_look_rests_between_handfuls_and_ends_when_told(kept: Path) -> None:
    spoil(kept, "UPDATE chunk SET body = zeroblob(length(body)) WHERE id = 1")
    rests = []

    def rest() -> bool:
        rests.append(1)
        return len(rests) < 3

    assert list(unsound(kept, rest)) == []
    assert len(rests) == 3


def test_the_recorder_tells_what_its_look_met(
    kept: Path, until: Until, caplog: pytest.LogCaptureFixture
) -> None:
    spoil(kept, "UPDATE alert SET seen = seen + 1")
    look = Soundness(kept, first_after_s=0.0)
    assert look.told == ""
    look.start()
    until(lambda: look.looks, "the look is over")
    look.stop(20)
    assert look.told.startswith("the archive is damaged and what is damaged is not shown: table")
    assert "table alert, row 1: is not what was written; table alert, row 2" in look.told
    assert "table alert, row 2" in caplog.text


def test_a_service_that_may_not_lower_its_niceness_looks_all_the_same(
    kept: Path, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The unit's filter of system calls answers EPERM, whatever call asks."""

    def forbidden(*_: int) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    for call in ("nice", "setpriority"):
        monkeypatch.setattr(os, call, forbidden)
    look = Soundness(kept, first_after_s=0.0)
    look.start()
    until(lambda: look.looks, "the look is over")
    look.stop(20)
    assert look.told == ""
