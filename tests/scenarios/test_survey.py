"""A survey of invented cars of several makes through an adapter, and its command line."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import can
import numpy as np
import pytest

from sootsayer.clock import LogClock, boottime_ms, wall_ms
from sootsayer.demo.adapter import EmulatedAdapter
from sootsayer.demo.build import Feedback, Make, Metering
from sootsayer.demo.bus import BusCar
from sootsayer.demo.drive import Road, RoadBuilder
from sootsayer.demo.stream import EmulatedStream
from sootsayer.model import Link, SootsayerError
from sootsayer.report.survey import Survey, survey_of
from sootsayer.report.vehicle_file import Papers, vehicle_file
from sootsayer.rules.book import load_rules
from sootsayer.sources.can_source import CanSource
from sootsayer.sources.serial_adapter import SerialSource
from sootsayer.surveying import stay, write_new
from sootsayer.vehicle import load_vehicle
from town_car import town, warm_car

RATE = 30.0
SEED = 11


def asleep() -> Iterator[Road]:
    builder = RoadBuilder(np.random.default_rng(12))
    builder.stand(3600, 0.0, 0.0, 0.0)
    while True:
        yield builder.road()


def surveyed(make: Make, roads: Iterator[Road]) -> Survey:
    adapters: list[EmulatedAdapter] = []

    def make_source(clock: LogClock) -> SerialSource:
        car = warm_car(roads, clock.now_ms(), make)
        adapters.append(EmulatedAdapter(car, clock, latency_s=0.002, reset_s=0.05))
        adapters[0].start()
        return SerialSource(adapters[0].port, clock)

    try:
        return survey_of(stay(make_source, 60, rate=RATE), load_rules())
    finally:
        for adapter in adapters:
            adapter.stop()


def seen(survey: Survey) -> set[Link]:
    return {sight.link for sight in survey.links if sight.seen}


@pytest.mark.parametrize(
    ("make", "unseen", "helps"),
    [
        (Make(), set(), ""),
        (Make(metering=Metering.MAF), {Link.FLOW}, "map"),
        (Make(metering=Metering.MAP, feedback=Feedback.NONE), {Link.MOVE}, "egr_a_act"),
    ],
    ids=["both and position", "air mass alone", "pressure, no feedback"],
)
def test_a_car_shows_what_its_make_lets_it_show(
    make: Make, unseen: set[Link], helps: str, tmp_path: Path
) -> None:
    survey = surveyed(make, town(SEED))
    assert set(Link) - seen(survey) == unseen
    assert helps == "" or helps in {addition.channel for addition in survey.additions}
    assert [unit.unit for unit in survey.units] == ["7E8", "7E9"]
    assert survey.units[0].vin and survey.units[0].calibrations
    pace = {got.channel: got.every_s for got in survey.channels if got.every_s is not None}
    # how fast that is depends on what else this machine does, thirty times as fast as it is
    assert pace["egr_pct"] < 1.2 * min(pace.values()) and pace["egr_pct"] < 2.0
    assert survey.codes_asked and survey.readiness.since_cleared is not None
    written = tmp_path / "car.toml"
    write_new(written, vehicle_file(survey, Papers(2.4, 4)))
    assert load_vehicle(written).metering == make.metering.value


def test_over_the_bus_the_survey_is_the_same() -> None:
    clock = LogClock(wall_ms() - boottime_ms())
    car = warm_car(town(SEED), clock.now_ms() - 30_000)
    with (
        can.Bus("surveyed", interface="virtual") as bus,
        BusCar(car, clock, bus),
    ):
        survey = survey_of(
            stay(lambda clock: CanSource("surveyed", "virtual", clock), 4), load_rules()
        )
    assert [unit.unit for unit in survey.units] == ["7E8", "7E9"]
    assert seen(survey) == set(Link) and "CAN" in survey.connection
    pace = {got.channel: got.every_s for got in survey.channels}
    assert pace["egr_pct"] is not None and pace["egr_pct"] < 0.5
    assert pace["egr_pct"] == pace["map"], "what belongs together came together"
    assert survey.codes_asked


def test_a_car_that_sleeps_is_left_asleep_and_said_so() -> None:
    with pytest.raises(SootsayerError, match="no control unit answers, 12"):
        surveyed(Make(), asleep())


def test_a_source_of_ours_that_breaks_is_not_hidden() -> None:
    class Broken:
        def run(self, emit: object, stop: threading.Event) -> None:
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        stay(lambda clock: Broken(), 1)


# ---------------------------------------------------------------- the command


def command(*words: object, home: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "sootsayer.cli", "survey", *map(str, words)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "HOME": str(home)},
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


def test_the_command_prints_json_and_writes_the_vehicle_file(tmp_path: Path) -> None:
    clock = LogClock(wall_ms() - boottime_ms())
    car = warm_car(town(SEED), clock.now_ms() - 20_000)
    file = tmp_path / "car.toml"
    with EmulatedAdapter(car, clock, reset_s=0.05) as adapter:
        said = command("--port", adapter.port, "--seconds", 3, "--json", "--vehicle-out", file,
                       "--displacement-l", 2.4, "--cylinders", 4, home=tmp_path)  # fmt: skip
    assert said.returncode == 0, said.stderr
    found = json.loads(said.stdout)
    assert [link["link"] for link in found["links"]] == [link.value for link in Link]
    assert found["units"][0]["vin"].startswith("*")
    car_file = load_vehicle(file)
    assert (car_file.fuel, car_file.displacement_l, car_file.cylinders) == ("petrol", 2.4, 4)


def test_without_the_car_s_papers_it_says_what_the_file_still_needs(tmp_path: Path) -> None:
    clock = LogClock(wall_ms() - boottime_ms())
    car = warm_car(town(SEED), clock.now_ms() - 20_000)
    file = tmp_path / "car.toml"
    with EmulatedAdapter(car, clock, reset_s=0.05) as adapter:
        said = command("--port", adapter.port, "--seconds", 3, "--vehicle-out", file,
                       home=tmp_path)  # fmt: skip
    assert said.returncode == 0, said.stderr
    assert "fill in displacement_l and cylinders from the car's papers" in said.stderr
    with pytest.raises(SootsayerError, match="'displacement_l', 'cylinders' are missing"):
        load_vehicle(file)


def test_a_stream_and_a_sensor_are_surveyed_with_what_each_arms(tmp_path: Path) -> None:
    example = tmp_path / "stream.toml"
    example.write_text(
        files("sootsayer_config").joinpath("streams/example.toml").read_text(encoding="utf-8")
    )
    config = tmp_path / "own.toml"
    config.write_text(
        '[sensors.passage]\nkind = "iio"\ndevice = "not-there"\ninput = "temp"\n'
        'channel = "egr_passage_c"\nmin = -40\nmax = 900\n'
    )
    clock = LogClock(wall_ms() - boottime_ms())
    car = warm_car(town(SEED), clock.now_ms() - 20_000)
    with EmulatedStream(car, clock) as wire:
        said = command("--port", wire.port, "--stream", example, "--seconds", 4, "--json",
                       "--config", config, home=tmp_path)  # fmt: skip
    assert said.returncode == 0, said.stderr
    found = json.loads(said.stdout)
    stream, passage = found["added"]
    assert stream["source"] == "stream" and {"rpm", "egr_pct"} <= set(stream["given"])
    assert stream["arms"], "the car's only words arm something"
    assert passage["source"] == "sensor passage" and passage["given"] == []
    assert passage["would_arm"] and "not-there" in passage["trouble"]


@pytest.mark.parametrize(
    ("words", "code", "named"),
    [
        (["--port", "nowhere/ttyUSB7"], 1, "nowhere/ttyUSB7 does not exist"),
        (["--port", "x", "--can", "can0"], 2, "--port or --can"),
        (["--stream", "s.toml", "--can", "can0"], 2, "--stream or --can"),
        (["--port", "x", "--cylinders", "4"], 2, "--vehicle-out"),
        (["--port", "x", "--stream", "none.toml"], 1, "none.toml: cannot be read"),
        (["--port", "x", "--seconds", "1"], 2, "--seconds"),
        (["--port", "x", "--vehicle-out", "."], 2, "directory"),
    ],
)
def test_mistakes_are_told_in_words(
    words: list[str], code: int, named: str, tmp_path: Path
) -> None:
    said = command(*words, home=tmp_path)
    assert said.returncode == code and named in said.stderr and said.stdout == ""
    assert "Traceback" not in said.stderr
    assert code == 2 or len(said.stderr.splitlines()) == 1


def test_a_vehicle_file_is_never_overwritten(tmp_path: Path) -> None:
    file = tmp_path / "car.toml"
    file.write_text("mine")
    said = command("--port", "x", "--vehicle-out", file, home=tmp_path)
    assert said.returncode == 1 and "exists already" in said.stderr
    with pytest.raises(SootsayerError, match="exists already"):
        write_new(file, "other")
    with pytest.raises(SootsayerError, match="cannot be written"):
        write_new(tmp_path / "none" / "car.toml", "other")
    assert file.read_text() == "mine"
