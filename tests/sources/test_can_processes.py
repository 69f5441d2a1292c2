"""Recorder and car in two processes on a multicast group; own frames come back there."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import can
import pytest

from can_car_process import GROUP
from can_driven import Truth
from can_rig import PATIENCE_S, Run, Spoil, SpoiltBus, settings
from sootsayer.clock import Deadline, LogClock
from sootsayer.sources.can_opening import Interface
from sootsayer.sources.can_source import CanSource
from sootsayer.store.reader import ArchiveReader

TESTS = Path(__file__).parents[1]
LATE_S = 0.5
WITHIN_MS = int(LATE_S * 1000 / 2) + 250  # the car keeps its figures for a fifth of a second


def environment(port: int) -> dict[str, str]:
    paths = os.pathsep.join([str(TESTS), *filter(None, sys.path)])
    return {**os.environ, "PYTHONPATH": paths, "CAN_CONFIG": json.dumps({"port": port})}


@contextmanager
def car(units: int, port: int, base_ms: int) -> Iterator[None]:
    process = subprocess.Popen(
        [sys.executable, str(TESTS / "can_car_process.py"), str(units), str(base_ms)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment(port), text=True,
    )  # fmt: skip
    assert process.stdin is not None and process.stdout is not None
    try:
        assert process.stdout.readline() == "ready\n", "the car did not come up"
        yield
    finally:
        process.stdin.close()
        process.wait(PATIENCE_S)
        process.stdout.close()


def free_port() -> int:
    """Not shared with other tests of this machine: each takes the one of its process."""
    return 20_000 + os.getpid() % 20_000


EVERY = ("lost", "late", "doubled", "swapped", "garbled")


@pytest.mark.parametrize(
    ("units", "share"), [(1, 0.0), (2, 0.1), (4, 0.2)], ids=["one", "two-spoilt", "four-spoilt"]
)
def test_the_demo_car_of_another_process_is_read_right(units: int, share: float) -> None:
    port, buses = free_port() + units, list[SpoiltBus]()
    spoil = Spoil(**dict.fromkeys(EVERY, share / len(EVERY)))

    def open_bus(rate: int | None, listen_only: bool) -> can.BusABC:
        bus = can.Bus(interface="udp_multicast", channel=GROUP, port=port)
        buses.append(SpoiltBus(bus, spoil, seed=3))
        return buses[-1]

    clock = LogClock(0)
    base_ms = clock.now_ms()
    source = CanSource(GROUP, Interface("group", open_bus), clock, settings(late_s=LATE_S))
    with car(units, port, base_ms), Run(source) as run:
        run.wait_readings(20 + 3 * units)
    units_read = {reading.unit for reading in run.readings()}
    assert units_read <= {f"7E{8 + n:X}" for n in range(units)} and (share or len(units_read) == 1)
    checked, wrong = Truth(base_ms).wrong(run.events, WITHIN_MS)
    assert wrong == [] and checked >= 40
    assert not share or sum(bus.spoilt.total() for bus in buses) >= 5
    assert "requests of another tester" not in run.counters(), "our own frames came back"


def test_the_recorder_as_a_program_keeps_what_the_car_says(tmp_path: Path) -> None:
    port, archive = free_port() + 100, tmp_path / "archive.db"
    command = [
        sys.executable, "-m", "sootsayer.cli", "watch", "--can", GROUP,
        "--can-interface", "udp_multicast", "--archive", str(archive),
    ]  # fmt: skip
    with car(2, port, LogClock(0).now_ms()):
        recorder = subprocess.Popen(command, env=environment(port), stderr=subprocess.PIPE)
        try:
            assert _kept(archive, recorder, 60)
        finally:
            recorder.send_signal(signal.SIGTERM)
            _, said = recorder.communicate(timeout=PATIENCE_S)
    assert recorder.returncode == 0, said
    reader = ArchiveReader(archive)
    names = {row.name for row in reader.channels()}
    assert {"rpm", "map", "egr_pct", "egr_err", "vss@7E9"} <= names
    assert b"CAN, 11-bit addresses, 2 control units" in said


def _kept(archive: Path, recorder: subprocess.Popen[bytes], samples: int) -> bool:
    """Whether so many samples are in the archive before patience ends."""
    deadline = Deadline(PATIENCE_S)
    while not deadline.passed() and recorder.poll() is None:
        if archive.exists():
            try:
                if sum(row.samples for row in ArchiveReader(archive).channels()) >= samples:
                    return True
            except Exception:
                pass
        try:
            recorder.wait(0.2)
        except subprocess.TimeoutExpired:
            continue
    return False


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--listen-only"], "need --can CHANNEL"),
        (["--can", "can0", "--port", "/dev/ttyUSB0"], "leave --port out"),
        (["--can", "can0", "--stream", "my-stream.toml"], "--stream or --can, not both"),
        (["--can", "can0", "--can-interface", "pigeon"], "'pigeon' is not one of"),
    ],
)
def test_wrong_words_on_the_command_line(words: list[str], said: str) -> None:
    from click.testing import CliRunner

    from sootsayer.cli import commands

    ran = CliRunner().invoke(commands, ["watch", *words])
    assert ran.exit_code == 2 and said in ran.output
