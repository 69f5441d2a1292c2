"""The whole program on an invented car over a real pseudo-terminal."""

from __future__ import annotations

import dataclasses
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from sootsayer.clock import LogClock, boottime_ms, wall_ms
from sootsayer.control import ask
from sootsayer.demo.adapter import EmulatedAdapter
from sootsayer.demo.story import live_car
from sootsayer.model import SootsayerError, SourceState
from sootsayer.service import Recorder
from sootsayer.settings import shipped_settings
from sootsayer.sources.serial_adapter import SerialSource
from sootsayer.store.reader import ArchiveReader
from sootsayer.vehicle import Vehicle
from sootsayer.watching import watch_plan

CAR = Vehicle(name="blue estate car", displacement_l=2.4, cylinders=4, fuel="petrol")
RATE = 20.0  # log seconds in a real second, for car and recorder alike
SEED = 3
WATCHED = ("rpm", "map", "maf", "egr_pct", "tp")

# Services that only read (SAE J1979): 01, 02, 03, 06, 07, 09, 0A. AT words stay in the adapter.
READS_ONLY = re.compile(r"|AT[A-Z0-9@ ]+|(01|02|03|06|07|09|0A)[0-9A-F]*")

Until = Callable[[Callable[[], object], str], None]
InBackground = Callable[[Callable[[], object]], threading.Thread]


def readings(archive: Path, channel: str) -> int:
    """How many readings of a channel are durable now."""
    try:
        with ArchiveReader(archive) as reader:
            return sum(row.samples for row in reader.channels() if row.name == channel)
    except SootsayerError:
        return 0  # not made yet


def state(archive: Path) -> str:
    with ArchiveReader(archive) as reader:
        return str(reader.state("health")["state"])


def test_an_adapter_is_read_unplugged_replugged_and_read_again(
    tmp_path: Path, until: Until, in_background: InBackground
) -> None:
    archive = tmp_path / "archive.db"
    adapters: list[EmulatedAdapter] = []

    def make_source(clock: LogClock) -> SerialSource:
        adapter = EmulatedAdapter(live_car(SEED, clock.now_ms()), clock, latency_s=0.002)
        adapter.start()
        adapters.append(adapter)
        return SerialSource(adapter.port, clock)

    plan = dataclasses.replace(
        watch_plan(
            shipped_settings(), "emulated adapter", archive, CAR, must_exist=False,
            environ={}, make_clock=lambda offset_ms: LogClock(offset_ms, RATE),
        ),
        sources={"adapter": make_source},
    )  # fmt: skip
    recorder = Recorder(plan)
    running = in_background(recorder.run)
    try:
        until(
            lambda: all(readings(archive, name) >= 100 for name in WATCHED),
            "a hundred readings of each channel are stored",
        )
        (adapter,) = adapters
        adapter.unplug()
        until(lambda: state(archive) == SourceState.UNPLUGGED, "the pulled plug is noticed")
        before = readings(archive, "rpm")
        adapter.replug()
        until(lambda: readings(archive, "rpm") >= before + 100, "readings come again")
        assert ask(tmp_path / "control.sock", "status")["state"] == SourceState.READING
    finally:
        recorder.stop()
        running.join(20)
        for adapter in adapters:
            adapter.stop()

    with ArchiveReader(archive) as reader:
        assert reader.check() == []
        (pulled,) = [gap for gap in reader.gaps() if gap.reason.startswith("unplugged")]
        (rpm,) = reader.series("rpm", 0, 2**60)
        assert (np.diff(rpm.t_ms) >= 0).all()
        inside = (rpm.t_ms > pulled.start_ms) & (rpm.t_ms <= pulled.end_ms)
        assert not inside.any()
        assert rpm.values().max() > 600  # the engine ran: an idle is above that
        vins = {found.value for found in reader.identities() if found.key == "vin"}
        assert len(vins) == 1
        verdict = reader.verdict()
        assert verdict is not None and verdict["vehicle"] == "blue estate car"
        assert verdict["span"]["trips"] >= 1
    wrong = [line for _, line in adapters[0].tap if not READS_ONLY.fullmatch(line)]
    assert wrong == [], "something else than a reading request reached the wire"


# ---------------------------------------------------------------- the power is cut


def watching(adapter: EmulatedAdapter, folder: Path) -> subprocess.Popen[bytes]:
    """`sootsayer watch` in a process of its own."""
    car = folder / "car.toml"
    car.write_text('name = "estate"\ndisplacement_l = 2.4\ncylinders = 4\nfuel = "petrol"\n')
    words = ["--port", adapter.port, "--archive", str(folder / "archive.db"), "--vehicle", str(car)]
    with (folder / "watch.log").open("ab") as log:
        return subprocess.Popen(
            [sys.executable, "-m", "sootsayer.cli", "watch", *words],
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "HOME": str(folder)},
            stdin=subprocess.DEVNULL, stdout=log, stderr=log,
        )  # fmt: skip


@contextmanager
def started(adapter: EmulatedAdapter, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Ends it by SIGKILL, if the test has not, as a power cut would."""
    process = watching(adapter, folder)
    try:
        yield process
    finally:
        process.kill()
        process.wait(20)


MOMENTS_MS = (0, 900)  # lie differently between two commits, about 1.5 s apart


def test_a_killed_recorder_has_lost_at_most_two_seconds(tmp_path: Path, until: Until) -> None:
    archive = tmp_path / "archive.db"
    clock = LogClock(wall_ms() - boottime_ms())
    with EmulatedAdapter(live_car(SEED, clock.now_ms()), clock) as adapter:
        for moment_ms in MOMENTS_MS:
            with started(adapter, tmp_path) as process:
                until(more_readings(archive), "readings are stored")
                until(passed(moment_ms), "the moment has come")
                killed_ms = boottime_ms()
                process.kill()
                process.wait(20)
            lost_ms = killed_ms - last_stored_boottime_ms(archive)
            assert 0 <= lost_ms <= 2000, f"{lost_ms} ms lost when killed after {moment_ms} ms"
        with started(adapter, tmp_path) as process:
            until(more_readings(archive), "it goes on after the last cut")
            process.send_signal(signal.SIGTERM)
            assert process.wait(20) == 0, (tmp_path / "watch.log").read_text()
    with ArchiveReader(archive) as reader:
        assert reader.check() == []
        cut = "recorder ended without notice, by a power cut or a crash"
        assert [gap.reason for gap in reader.gaps()] == [cut] * len(MOMENTS_MS)
        health = reader.state("health")
        assert (health["state"], health["restarts"]) == ("stopped", len(MOMENTS_MS))
    assert "Traceback" not in (tmp_path / "watch.log").read_text()


def more_readings(archive: Path) -> Callable[[], bool]:
    """True once five more readings of engine speed are durable than now."""
    before = readings(archive, "rpm")
    return lambda: readings(archive, "rpm") >= before + 5


def passed(wait_ms: int) -> Callable[[], bool]:
    """True once so much boot time has passed from now."""
    start_ms = boottime_ms()
    return lambda: boottime_ms() - start_ms >= wait_ms


def last_stored_boottime_ms(archive: Path) -> int:
    """Boot time of the newest durable reading; fails if anything stored is damaged."""
    with ArchiveReader(archive) as reader:
        assert reader.check() == []
        span = reader.span()
        (boot,) = reader.boots()
        assert span is not None
        return span[1] - boot.offset_ms
