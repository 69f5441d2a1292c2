"""The invented car built to J1979-2: silent to services 01 to 0A, read all the same, end to end."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from threading import Thread

import can
import numpy as np

from sootsayer.clock import LogClock
from sootsayer.demo.bus import BusCar
from sootsayer.demo.control_unit import VIN
from sootsayer.demo.monitor import Memory
from sootsayer.demo.uds import UdsCar
from sootsayer.model import CodeStatus, SootsayerError
from sootsayer.service import Recorder
from sootsayer.settings import CanChoice, shipped_settings
from sootsayer.store.reader import ArchiveReader
from sootsayer.vehicle import Vehicle
from sootsayer.watching import watch_plan
from town_car import town, warm_car

Until = Callable[[Callable[[], object], str], None]
InBackground = Callable[[Callable[[], object]], Thread]
CAR = Vehicle(name="blue estate car", displacement_l=2.4, cylinders=4, fuel="petrol")
RATE = 5.0


def samples(archive: Path, channel: str) -> int:
    try:
        with ArchiveReader(archive) as reader:
            return sum(row.samples for row in reader.channels() if row.name == channel)
    except SootsayerError:
        return 0


def test_the_recorder_finds_the_newer_words_and_stores_what_they_say(
    tmp_path: Path, until: Until, in_background: InBackground
) -> None:
    archive = tmp_path / "archive.db"
    cars: list[BusCar] = []
    memory = Memory().failed("P0401").failed("P0401")  # of two trips before: confirmed

    with can.Bus("newer", interface="virtual") as bus:

        def make_clock(offset_ms: int) -> LogClock:
            clock = LogClock(offset_ms, RATE)
            live = warm_car(town(21), clock.now_ms() - 20_000, memory=memory)
            cars.append(BusCar(UdsCar(live), clock, bus, talks=True))
            cars[0].start()
            return clock

        plan = watch_plan(
            shipped_settings(), "none", archive, CAR, must_exist=False,
            can=CanChoice("newer", "virtual", False), make_clock=make_clock,
        )  # fmt: skip
        recorder = Recorder(plan)
        thread = in_background(recorder.run)
        try:
            until(lambda: samples(archive, "egr_pct") > 20, "the command is stored")
            until(lambda: samples(archive, "ect") > 1, "and what is slow")
            until(lambda: codes(archive), "and codes")
        finally:
            recorder.stop()
            thread.join(30)
            for car in cars:
                car.stop()

    requests = {request for _, _, request in cars[0].tap}
    answered = {request for request in requests if request[0] in (0x22, 0x19)}
    assert {request[1] for request in answered if request[0] == 0x22} >= {0xF4, 0xF8}
    assert requests - answered == {b"\x01\x00"}, (
        "once silent, it is not asked in the old words again"
    )
    with ArchiveReader(archive) as reader:
        said = {(one.unit, one.key): one.value for one in reader.identities()}
        state = reader.state("health")
        speeds = np.concatenate([one.values() for one in reader.series("rpm", 0, 2**60)])
    assert said["7E8", "vin"] == VIN
    assert ("P0401", CodeStatus.CONFIRMED) in codes(archive)
    assert (speeds >= 0).all() and speeds.max() > 500
    assert "7E9" in {unit for unit, _ in said} and state is not None


def codes(archive: Path) -> set[tuple[str, CodeStatus]]:
    with ArchiveReader(archive) as reader:
        return {(one.code, one.status) for one in reader.codes()}
