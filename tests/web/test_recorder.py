from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from freezegun import freeze_time

from sootsayer import clock
from sootsayer.control import ControlServer
from sootsayer.store.archive import Archive
from sootsayer_web.limits import Limits
from sootsayer_web.recorder import recorder_answer
from sootsayer_web.records import Records

LIMITS = Limits.shipped()
LONG_MS = round(LIMITS.recorder_silent_s * 1000) + 1


def answer(path: Path) -> dict[str, Any]:
    records = Records(path)
    return recorder_answer(records, records.open(), LIMITS)


def make(path: Path, noted_ago_ms: int, **changed: Any) -> int:
    """An archive of this boot whose recorder noted its health so long ago; its log time now."""
    with Archive.open(path) as archive:
        begun_ms = clock.boottime_ms() - 3_600_000
        offset_ms = archive.begin_boot(clock.boot_id(), begun_ms, clock.wall_ms() - 3_600_000, True)
        now_ms = clock.boottime_ms() + offset_ms
        note = {"state": "reading", "reason": "", "since_ms": now_ms - 60_000,
                "last_reading_ms": now_ms, "now_ms": now_ms - noted_ago_ms}  # fmt: skip
        archive.put_state("health", note | changed)
        archive.commit()
    return now_ms


def test_reading(tmp_path: Path) -> None:
    make(tmp_path / "a.db", 1000)
    found = answer(tmp_path / "a.db")
    assert found["state"] == "reading" and found["clock_trusted"]
    assert found["since"] < found["last_reading"]


def test_a_recorder_without_a_word_for_long_has_stopped(tmp_path: Path) -> None:
    make(tmp_path / "a.db", LONG_MS)
    found = answer(tmp_path / "a.db")
    assert found["state"] == "stopped" and "service" in found["reason"]


def test_a_recorder_that_cannot_write_still_says_what_it_does(tmp_path: Path) -> None:
    """A card that can only be read: nothing new in the archive, but the recorder answers."""
    make(tmp_path / "a.db", LONG_MS)
    reason = "24 channels; the disk can only be read; what is read waits and is not lost yet"
    asked: list[Mapping[str, Any]] = []

    def handle(request: Mapping[str, Any]) -> dict[str, Any]:
        asked.append(request)
        return {"state": "reading", "reason": reason}

    server = ControlServer(tmp_path / "control.sock", handle)
    records = Records(tmp_path / "a.db", tmp_path / "control.sock")
    server.start()
    try:
        found = recorder_answer(records, records.open(), LIMITS)
    finally:
        server.stop()
    assert (found["state"], found["reason"]) == ("reading", reason)
    assert [request["request"] for request in asked] == ["status"]
    assert recorder_answer(records, records.open(), LIMITS)["state"] == "stopped"


def test_a_step_of_the_wall_clock_is_no_silence(tmp_path: Path) -> None:
    make(tmp_path / "a.db", 1000)
    with freeze_time("2031-01-01", ignore=["sootsayer.store"]):
        assert clock.wall_ms() > 1_924_000_000_000  # the clock really was stepped
        assert answer(tmp_path / "a.db")["state"] == "reading"


def test_without_the_recorders_stamp_the_files_date_tells(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    make(path, 0, now_ms=None)
    assert answer(path)["state"] == "reading"
    old_s = (clock.wall_ms() - LONG_MS) / 1000
    for file in tmp_path.glob("a.db*"):
        os.utime(file, (old_s, old_s))
    assert answer(path)["state"] == "stopped"


def test_reading_without_new_readings_is_silence_since_the_last(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    now_ms = make(path, 0)
    make(path, 0, last_reading_ms=now_ms - round(LIMITS.readings_silent_s * 1000) - 1)
    found = answer(path)
    assert found["state"] == "silent" and found["since"] == found["last_reading"]


@pytest.mark.parametrize("note", [None, [], "reading", {}, {"state": 7, "since_ms": "noon"}])
def test_any_note_is_borne(tmp_path: Path, note: Any) -> None:
    with Archive.open(tmp_path / "a.db") as archive:
        archive.put_state("health", note)
        archive.commit()
    assert answer(tmp_path / "a.db")["state"] == "unknown"
