"""The recorder with a source that says what it is told: real archive, real socket, real time."""

from __future__ import annotations

import dataclasses
import errno
import os
import socket
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from freezegun import freeze_time

from sootsayer.clock import LogClock, boottime_ms, wall_ms
from sootsayer.control import ask
from sootsayer.live.soundness import Soundness
from sootsayer.model import (
    Batch,
    Changes,
    Identity,
    Reading,
    Sample,
    Scaling,
    SootsayerError,
    SourceEvent,
    SourceState,
    SourceStatus,
    Verdict,
)
from sootsayer.notify import Notifier
from sootsayer.service import Plan, Recorder
from sootsayer.settings import Settings, shipped_settings
from sootsayer.store import archive as archive_module
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.schema import cannot_write

RPM = Scaling("rpm/4", 0.25, 0.0, "rpm")
Until = Callable[[Callable[[], object], str], None]
InBackground = Callable[[Callable[[], object]], threading.Thread]


class Told:
    """A source that counts up one reading each time it is told to, stamped by the clock."""

    def __init__(self, clock: LogClock) -> None:
        self._clock = clock
        self._count = 0
        self._ready = threading.Event()
        self._emit: Callable[[SourceEvent], None]
        self._mistake: Exception | None = None
        self._broken = threading.Event()

    def run(self, emit: Callable[[SourceEvent], None], stop: threading.Event) -> None:
        self._emit = emit
        self.status(SourceState.READING, "1 channel")
        self._ready.set()
        while not stop.wait(0.01):
            if self._mistake:
                raise self._mistake

    def status(self, state: SourceState, reason: str) -> None:
        self._emit(SourceStatus(self._clock.now_ms(), "adapter", state, reason, {"asked": 5}))

    def read(self, count: int) -> None:
        """Emit ``count`` readings with raw 0, 1, 2, … over the life of this source."""
        assert self._ready.wait(20)
        for _ in range(count):
            sample = Sample("rpm", self._count, RPM)
            self._emit(Reading(self._clock.now_ms(), "7E8", (sample,)))
            self._count += 1

    def break_with(self, mistake: Exception) -> None:
        self._mistake = mistake


class Seen:
    """A pipeline that only remembers which raw values it was fed, and saves that."""

    def __init__(self, state: dict[str, Any] | None) -> None:
        self.done_ms: int = state["done_ms"] if state else 0
        self.raw: list[int] = []
        self.room: list[str] = []  # what the recorder said of it
        self.started_from = state
        self.mistake: Exception | None = None

    def feed(self, batch: Batch) -> Changes:
        if self.mistake:
            raise self.mistake
        assert batch.upto_ms >= self.done_ms
        for series in batch.series:
            assert (series.t_ms > self.done_ms).all(), "fed twice"
            self.raw += series.raw.tolist()
        self.room += [e.value for e in batch.events if isinstance(e, Identity) and e.key == "room"]
        self.done_ms = batch.upto_ms
        return Changes()

    def verdict(self) -> Verdict:
        return Verdict(
            self.done_ms, "test car", 0, self.done_ms, 0.0, 0, "Nothing known yet.", "",
            (), (), (), None, (), (), {},
        )  # fmt: skip

    def state(self) -> dict[str, Any]:
        return {"done_ms": self.done_ms}


class Bench:
    """Starts recorders on one archive and keeps what their parts did."""

    def __init__(self, folder: Path, settings: Settings, start: InBackground) -> None:
        self.archive = folder / "archive.db"
        self.control = folder / "control.sock"
        self.settings = settings
        self.notify = Notifier("")
        self.fingerprint: Mapping[str, Any] = {"vehicle": "one"}
        self.sources: list[Told] = []
        self.pipelines: list[Seen] = []
        self.failures: list[BaseException] = []
        self._start = start
        self._recorder: Recorder | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> Told:
        """A recorder that runs; returns its source once it can be told to read."""
        source_there = threading.Event()

        def make_source(clock: LogClock) -> Told:
            self.sources.append(Told(clock))
            source_there.set()
            return self.sources[-1]

        def make_pipeline(state: dict[str, Any] | None) -> Seen:
            self.pipelines.append(Seen(state))
            return self.pipelines[-1]

        plan = Plan(
            archive=self.archive,
            sources={"adapter": make_source},
            make_pipeline=make_pipeline,
            settings=self.settings,
            fingerprint=self.fingerprint,
            port="/dev/told",
            control=self.control,
            notifier=self.notify,
        )
        self._recorder = Recorder(plan)
        self._thread = self._start(self._run)
        assert source_there.wait(20), self.failures
        return self.sources[-1]

    def _run(self) -> None:
        assert self._recorder is not None
        try:
            self._recorder.run()
        except BaseException as failure:
            self.failures.append(failure)

    def ended(self) -> bool:
        return self._thread is None or not self._thread.is_alive()

    def stop(self) -> None:
        assert self._recorder is not None and self._thread is not None
        self._recorder.stop()
        self._thread.join(20)
        assert self.ended()

    def reader(self) -> ArchiveReader:
        return ArchiveReader(self.archive)

    def stored(self) -> list[int]:
        """Raw values of rpm in the archive, in order of time."""
        if not self.archive.exists():
            return []
        series = self.reader().series("rpm", 0, 2**60)
        return [int(raw) for one in series for raw in one.raw]


@pytest.fixture
def bench(tmp_path: Path, in_background: InBackground) -> Iterator[Bench]:
    shipped = shipped_settings()
    recorder = dataclasses.replace(
        shipped.recorder, batch_s=0.05, lateness_s=0.05, commit_s=0.5, idle_commit_s=1, gap_s=0.2
    )
    clock = dataclasses.replace(shipped.clock, synchronised_file=str(tmp_path / "synchronized"))
    settings = dataclasses.replace(shipped, recorder=recorder, clock=clock)
    bench = Bench(tmp_path, settings, in_background)
    yield bench
    if not bench.ended():
        bench.stop()


@pytest.fixture
def reading(bench: Bench, until: Until) -> Told:
    """The source of a recorder that has stored two readings."""
    source = bench.start()
    source.read(2)
    until(lambda: len(bench.stored()) == 2, "the first readings are stored")
    return source


def test_readings_are_stored_and_judged_while_it_runs(bench: Bench, until: Until) -> None:
    source = bench.start()
    source.read(100)
    until(lambda: bench.stored() == list(range(100)), "100 readings are stored")
    assert bench.pipelines[0].raw == list(range(100))


def test_a_stop_keeps_the_last_readings_and_what_the_pipeline_knows(bench: Bench) -> None:
    source = bench.start()
    source.read(7)
    bench.stop()
    assert bench.failures == []
    assert bench.stored() == list(range(7))
    reader = bench.reader()
    health = reader.state("health")
    assert (health["state"], health["reason"]) == ("stopped", "recorder was stopped")
    assert reader.state("pipeline") == {"done_ms": bench.pipelines[0].done_ms}
    assert reader.verdict()["sentence"] == "Nothing known yet."


def test_after_a_restart_only_what_was_not_judged_is_judged_again(bench: Bench) -> None:
    bench.start().read(5)
    bench.stop()
    (first,) = bench.reader().series("rpm", 0, 2**60)
    with Archive.open(bench.archive) as archive:  # as if the state had been saved after reading 1
        archive.put_state("pipeline", {"done_ms": int(first.t_ms[1])})
        archive.commit()
    # Readings may share a millisecond; those after the stamp of reading 1 are due again.
    due = first.raw[first.t_ms > first.t_ms[1]].tolist()
    bench.start().read(2)
    bench.stop()
    assert bench.pipelines[1].raw == [*due, 0, 1]


def test_another_vehicle_file_has_everything_judged_anew(bench: Bench) -> None:
    bench.start().read(5)
    bench.stop()
    bench.fingerprint = {"vehicle": "two"}
    bench.start()
    bench.stop()
    assert bench.pipelines[1].started_from is None
    assert bench.pipelines[1].raw == list(range(5))


def test_health_has_the_keys_that_the_dashboard_reads(bench: Bench, until: Until) -> None:
    source = bench.start()
    source.read(3)
    until(lambda: len(bench.stored()) == 3, "readings are stored")
    health = bench.reader().state("health")
    assert set(health) >= {
        "state", "reason", "since_ms", "readings_per_s", "counters", "version", "restarts",
        "port", "commit_s", "last_reading_ms", "board_temp_c", "disk_free_bytes",
    }  # fmt: skip
    assert (health["state"], health["port"], health["restarts"]) == ("reading", "/dev/told", 0)
    assert health["counters"]["asked"] == 5
    bench.stop()
    bench.start()
    until(lambda: bench.reader().state("health")["restarts"] == 1, "the restart is counted")


def test_a_mark_is_durable_when_it_is_answered(bench: Bench) -> None:
    bench.start()
    answer = ask(bench.control, "mark", text=" knocks uphill ", author="driver")
    (mark,) = bench.reader().marks()
    assert (mark.text, mark.author, mark.t_ms) == ("knocks uphill", "driver", answer["t_ms"])


@pytest.mark.parametrize("text", ["", "   ", "x" * 501])
def test_a_mark_without_sense_is_refused(bench: Bench, text: str) -> None:
    bench.start()
    with pytest.raises(SootsayerError, match="1 to 500 characters"):
        ask(bench.control, "mark", text=text)
    assert bench.reader().marks() == []


def test_repairs_and_check_results_are_kept_beside_the_readings(bench: Bench, until: Until) -> None:
    def by_hand() -> set[tuple[str, str]]:
        return {(i.key, i.value) for i in bench.reader().identities() if i.unit == "person"}

    bench.start()
    ask(bench.control, "repair", text="passage cleaned")
    ask(bench.control, "found", check="open_by_hand", outcome="stumbles")
    told = {("repair", "passage cleaned"), ("check", "open_by_hand stumbles")}
    until(lambda: by_hand() == told, "both lie in the archive")
    with pytest.raises(SootsayerError, match="no_change"):
        ask(bench.control, "found", check="open_by_hand", outcome="explodes")


def test_the_watchdog_is_fed_after_commits_also_with_an_idle_car(
    bench: Bench, tmp_path: Path
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(20)
        bench.notify = Notifier(str(tmp_path / "notify"))
        bench.start()
        said = [manager.recv(200)]
        assert said == [b"READY=1"]
        while said.count(b"WATCHDOG=1") < 2:
            said.append(manager.recv(200))
        assert any(line.startswith(b"STATUS=reading") for line in said)
        commits = bench.reader().state("health")["counters"]["commits"]
        assert commits >= 2
        bench.stop()
        while said[-1] != b"STOPPING=1":
            said.append(manager.recv(200))


def test_a_mistake_in_a_source_ends_the_recorder_and_loses_nothing(
    bench: Bench, until: Until
) -> None:
    source = bench.start()
    source.read(4)
    mistake = ZeroDivisionError("ours")
    source.break_with(mistake)
    until(bench.ended, "the recorder has ended")
    assert bench.failures == [mistake]
    assert bench.stored() == list(range(4))


def test_a_mistake_in_a_rule_ends_judging_but_not_recording(
    bench: Bench, reading: Told, until: Until, caplog: pytest.LogCaptureFixture
) -> None:
    state_before = bench.reader().state("pipeline")
    bench.pipelines[0].mistake = ZeroDivisionError("ours")
    reading.read(3)
    until(lambda: len(bench.stored()) == 5, "readings are stored all the same")
    until(lambda: "judging stopped" in bench.reader().state("health")["reason"], "it is told")
    bench.stop()
    assert bench.failures == []
    assert sum("a mistake of ours" in record.message for record in caplog.records) == 1
    assert bench.reader().state("pipeline") == state_before  # nothing half is kept
    bench.start()
    bench.stop()
    assert bench.pipelines[1].raw == [0, 1, 2, 3, 4]  # judged at the next start


def test_what_the_disk_refuses_is_kept_and_written_later(
    bench: Bench, reading: Told, until: Until, caplog: pytest.LogCaptureFixture
) -> None:
    other = sqlite3.connect(bench.archive, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")  # another writer holds the file beyond the busy time-out
    reading.read(3)
    until(lambda: any("cannot write" in r.message for r in caplog.records), "the refusal is told")
    other.execute("ROLLBACK")
    other.close()
    until(lambda: len(bench.stored()) == 5, "all is stored once the file is free")
    assert bench.failures == []


def pass_a_gap(bench: Bench, until: Until) -> None:
    start_ms = boottime_ms()
    gap_ms = bench.settings.recorder.gap_s * 1000
    until(lambda: boottime_ms() - start_ms > gap_ms, "silence is longer than gap_s")


def test_silence_and_stops_become_gaps_with_their_reasons(bench: Bench, until: Until) -> None:
    source = bench.start()
    source.read(1)
    source.status(SourceState.KEY_OFF, "voltage fell")
    pass_a_gap(bench, until)
    source.status(SourceState.READING, "1 channel")
    source.read(1)
    until(lambda: len(bench.reader().gaps()) == 1, "the gap is kept")
    bench.stop()
    pass_a_gap(bench, until)
    bench.start().read(1)
    until(lambda: len(bench.reader().gaps()) == 2, "the stop is kept")
    assert [gap.reason for gap in bench.reader().gaps()] == [
        "key off: voltage fell",
        "recorder was stopped",
    ]


def test_a_step_of_the_wall_clock_is_anchored_and_moves_no_reading(
    bench: Bench, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    # freezegun spares every call with "threading" among its five nearest callers, and the
    # recorder's loop is one; only calls that threading itself makes shall be spared.
    monkeypatch.setattr("freezegun.api.call_stack_inspection_limit", 1)
    with freeze_time("2026-01-10 08:00:00", tick=True) as wall:
        source = bench.start()
        source.read(2)
        wall.tick(timedelta(days=318, hours=4))
        (Path(bench.settings.clock.synchronised_file)).touch()
        until(lambda: len(bench.reader().anchors()) == 2, "the step is anchored")
        source.read(2)
        bench.stop()
    reader = bench.reader()
    first, second = reader.anchors()
    assert not first.trusted and second.trusted
    assert second.wall_ms - first.wall_ms > 318 * 86_400_000
    (series,) = reader.series("rpm", 0, 2**60)
    assert (np.diff(series.t_ms) >= 0).all()
    assert series.t_ms[-1] - series.t_ms[0] < 60_000  # boot time ran on for seconds, not days
    # The trusted anchor corrects what was recorded before it too: now it is 24 November.
    wall_ms, trusted = reader.wall_ms(int(series.t_ms[0]))
    assert trusted and abs(wall_ms - second.wall_ms) < 60_000


@pytest.mark.usefixtures("reading")
def test_a_phone_corrects_what_was_recorded_under_a_wrong_clock(bench: Bench) -> None:
    phone_ms = wall_ms() + 400 * 86_400_000
    answer = ask(bench.control, "clock", wall_ms=str(phone_ms))
    assert answer["kept"] and abs(answer["ahead_ms"] - 400 * 86_400_000) < 60_000
    reader = bench.reader()
    (series,) = reader.series("rpm", 0, 2**60)
    first_ms, trusted = reader.wall_ms(int(series.t_ms[0]))
    assert trusted and abs(first_ms - phone_ms) < 60_000
    # A time server's word is better than a phone's.
    Path(bench.settings.clock.synchronised_file).touch()
    assert not ask(bench.control, "clock", wall_ms=str(phone_ms))["kept"]


@pytest.mark.parametrize("said", ["", "soon", "5", "99999999999999", "1e3"])
def test_a_phone_that_cannot_know_the_time_is_refused(bench: Bench, said: str) -> None:
    bench.start()
    with pytest.raises(SootsayerError, match="clock wall_ms"):
        ask(bench.control, "clock", wall_ms=said)
    assert [anchor.source for anchor in bench.reader().anchors()] == ["system"]


def test_damage_that_nobody_asked_for_is_told(
    bench: Bench, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.start()
    ask(bench.control, "mark", text="it knocks")
    bench.stop()
    with sqlite3.connect(bench.archive) as connection:
        connection.execute("UPDATE mark SET text = 'it knucks'")
    connection.close()
    monkeypatch.setattr("sootsayer.service.Soundness", partial(Soundness, first_after_s=0.0))
    bench.start()
    until(
        lambda: (
            "table mark, row 1: is not what was written" in ask(bench.control, "status")["reason"]
        ),
        "the damage is told",
    )
    assert bench.reader().marks() == []


@contextmanager
def refusing(monkeypatch: pytest.MonkeyPatch, number: int) -> Iterator[None]:
    """The disk does not let an archive be opened for writing."""

    def refuses(path: Path) -> sqlite3.Connection:
        raise cannot_write(path, OSError(number, os.strerror(number)))

    with monkeypatch.context() as card:
        card.setattr(archive_module, "open_writer", refuses)
        yield


@pytest.mark.usefixtures("reading")
def test_a_recorder_starts_where_the_archive_cannot_be_written_and_stores_later(
    bench: Bench, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.stop()
    with refusing(monkeypatch, errno.EROFS):
        source = bench.start()
        source.read(3)
        until(
            lambda: "the disk can only be read" in ask(bench.control, "status")["reason"],
            "it runs and says so",
        )
        assert bench.stored() == [0, 1]
    until(lambda: bench.stored() == [0, 1, 0, 1, 2], "what waited is stored")
    until(lambda: ask(bench.control, "status")["reason"] == "1 channel", "the end is told")
    bench.stop()
    assert bench.failures == []
    assert bench.reader().state("health")["restarts"] == 1


@pytest.mark.parametrize(
    ("number", "told", "room"),
    [
        (errno.EROFS, "the disk can only be read", ["wide"]),
        (errno.EIO, "writing fails", ["wide"]),
        (errno.ENOSPC, "the disk is full", ["short", "wide"]),
    ],
)
def test_the_rules_hear_of_room_only_when_it_is_short(
    bench: Bench, until: Until, monkeypatch: pytest.MonkeyPatch,
    number: int, told: str, room: list[str],
) -> None:  # fmt: skip
    bench.start()
    bench.stop()
    with refusing(monkeypatch, number):
        bench.start()
        until(lambda: told in ask(bench.control, "status")["reason"], "the refusal is told")
    until(lambda: ask(bench.control, "status")["reason"] == "1 channel", "the end is told")
    bench.stop()
    assert bench.pipelines[1].room == room


def test_a_database_that_is_not_ours_is_refused_and_left_alone(bench: Bench) -> None:
    with sqlite3.connect(bench.archive) as foreign:
        foreign.execute("CREATE TABLE invoices (id INTEGER)")
    foreign.close()
    before = bench.archive.read_bytes()
    recorder = Recorder(Plan(bench.archive, {}, Seen, bench.settings))
    with pytest.raises(SootsayerError, match=str(bench.archive)):
        recorder.run()
    assert bench.archive.read_bytes() == before


def test_two_recorders_cannot_write_one_archive(bench: Bench) -> None:
    bench.start()
    second = Recorder(Plan(bench.archive, {}, Seen, bench.settings))
    with pytest.raises(SootsayerError, match="stop that one first"):
        second.run()
