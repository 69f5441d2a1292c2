"""A recorder on a serial stream with sensors beside it: from the settings file to the archive."""

from __future__ import annotations

import dataclasses
import os
import threading
from collections.abc import Callable
from importlib.resources import as_file, files
from pathlib import Path

import pytest

from sootsayer.clock import LogClock
from sootsayer.demo.control_unit import Moment
from sootsayer.demo.encoding import CONSTANT_COUNTS
from sootsayer.demo.stream import EmulatedStream
from sootsayer.live.health import Health
from sootsayer.live.thinning import Thinning
from sootsayer.model import Mark, Reading, Sample, Scaling, SootsayerError, SourceEvent, SourceState
from sootsayer.model import SourceStatus as Status
from sootsayer.service import Recorder
from sootsayer.settings import Settings, load_settings
from sootsayer.sources.sensors.making import sensor_sources
from sootsayer.store.reader import ArchiveReader
from sootsayer.vehicle import Vehicle
from sootsayer.watching import NO_PORT, watch_plan

Until = Callable[[Callable[[], object], str], None]
InBackground = Callable[[Callable[[], object]], threading.Thread]

SENSORS = """
[sensors.vacuum]
kind = "iio"
device = "adc"
input = "voltage0"
channel = "egr_vacuum_kpa"
points = [[0.5, 0.0], [4.5, 100.0]]
min = -2
max = 102
period_s = 0.05
"""
RAW = dict.fromkeys(
    ("map", "maf", "tp", "ect", "iat", "vss", "sparkadv", "egr_pct", "egr_a_act", "vpwr",
     "shrtft1", "longft1", "baro", "runtm", "aat", "n_d_stat", "fuelsys1"), 100,
) | {"rpm": 3000, "n_d_stat": 1, "vpwr": 14000} | CONSTANT_COUNTS  # fmt: skip


class StillCar:
    units = ()
    volts = 14.0
    cranking = False
    key_on = True

    def advance(self, to_ms: int) -> None:
        pass

    def moment(self) -> Moment:
        return Moment(RAW)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    own = tmp_path / "own.toml"
    own.write_text(SENSORS)
    loaded = load_settings(own)
    recorder = dataclasses.replace(
        loaded.recorder, batch_s=0.05, lateness_s=0.05, commit_s=0.5, idle_commit_s=1, gap_s=0.3
    )
    return dataclasses.replace(loaded, recorder=recorder)


@pytest.fixture
def sysfs(tmp_path: Path) -> Path:
    folder = tmp_path / "sys/bus/iio/devices/iio:device0"
    folder.mkdir(parents=True)
    for file, value in (("name", "adc"), ("in_voltage0_raw", "20000"),
                        ("in_voltage0_scale", "0.125")):  # fmt: skip
        (folder / file).write_text(value + "\n")
    return tmp_path / "sys"


@pytest.fixture
def example(tmp_path: Path) -> Path:
    copy = tmp_path / "stream.toml"
    with as_file(files("sootsayer_config").joinpath("streams/example.toml")) as shipped:
        copy.write_bytes(shipped.read_bytes())
    return copy


def begun(archive: Path) -> ArchiveReader | None:
    """None while the recorder has not made its tables yet."""
    try:
        return ArchiveReader(archive)
    except SootsayerError:
        return None


class Presses:
    """A source that marks once, as a button does, and gives a reading of its own late."""

    def __init__(self, clock: LogClock) -> None:
        self._clock = clock

    def run(self, emit: Callable[[SourceEvent], None], stop: threading.Event) -> None:
        emit(Mark(self._clock.now_ms(), "it knocks", "driver's button"))
        stop.wait()


def test_stream_sensor_and_button_reach_one_archive(
    settings: Settings, sysfs: Path, example: Path, tmp_path: Path,
    until: Until, in_background: InBackground,
) -> None:  # fmt: skip
    archive = tmp_path / "archive.db"
    with EmulatedStream(StillCar(), LogClock(0)) as wire:
        plan = watch_plan(
            settings, wire.port, archive, Vehicle.unknown(), must_exist=True, stream=example
        )
        assert list(plan.sources) == ["stream", "sensor vacuum"]
        sensors = sensor_sources(settings.sensors.stated, "x", sysfs)
        plan = dataclasses.replace(
            plan, sources={"stream": plan.sources["stream"], **sensors, "button": Presses}
        )
        recorder = Recorder(plan)
        thread = in_background(recorder.run)

        def stored(channel: str) -> list[float]:
            reader = begun(archive)
            found = reader.series(channel, 0, 2**60) if reader else []
            return [float(value) for one in found for value in one.values()]

        try:
            until(lambda: len(stored("rpm")) > 2, "engine speed is stored")
            until(lambda: len(stored("egr_vacuum_kpa")) > 2, "vacuum is stored")
        finally:
            recorder.stop()
            thread.join(20)
        assert set(stored("rpm")) == {750.0}  # 3000 quarters
        assert stored("egr_vacuum_kpa") == pytest.approx([50.0] * len(stored("egr_vacuum_kpa")))
        (mark,) = ArchiveReader(archive).marks()
        assert (mark.text, mark.author) == ("it knocks", "driver's button")


# ---------------------------------------------------------------- a sensor covers no silence


class Script:
    """A source that emits its events, by a clock that a test may read, and waits for the end."""

    def __init__(self, *events: Callable[[int], SourceEvent]) -> None:
        self._events = events

    def __call__(self, clock: LogClock) -> Script:
        self._clock = clock
        return self

    def run(self, emit: Callable[[SourceEvent], None], stop: threading.Event) -> None:
        for event in self._events:
            emit(event(self._clock.now_ms()))
        stop.wait()


ONE = Scaling("one", 1.0, 0.0, "")


def reading(unit: str, channel: str, after_ms: int) -> Callable[[int], SourceEvent]:
    return lambda now_ms: Reading(now_ms + after_ms, unit, (Sample(channel, 1, ONE),))


def test_a_sensor_fills_no_gap_of_the_car(
    settings: Settings, tmp_path: Path, until: Until, in_background: InBackground
) -> None:
    archive = tmp_path / "archive.db"
    plan = watch_plan(settings, "/dev/x", archive, Vehicle.unknown(), must_exist=False)
    car = Script(reading("7E8", "rpm", 0), reading("7E8", "rpm", 1000))
    sensor = Script(*(reading("sensor", "egr_contact", at) for at in range(0, 1000, 100)))
    plan = dataclasses.replace(plan, sources={"adapter": car, "sensor x": sensor})
    recorder = Recorder(plan)
    thread = in_background(recorder.run)
    try:
        until(lambda: (reader := begun(archive)) and reader.gaps(), "the gap is kept")
    finally:
        recorder.stop()
        thread.join(20)
    (gap,) = ArchiveReader(archive).gaps()
    assert 990 <= gap.end_ms - gap.start_ms < 5000


def test_trouble_of_a_sensor_is_told_beside_the_state(tmp_path: Path) -> None:
    health = Health(tmp_path / "archive.db", {}, start_ms=0)
    health.event("adapter", Status(1, "adapter", SourceState.READING, "40 channels"))
    gone = Status(2, "sensor v", SourceState.UNPLUGGED, "no device", {"v lost": 1})
    assert health.event("sensor v", gone, beside=True)
    assert not health.event("sensor v", gone, beside=True)
    note = health.as_json(10)
    assert note["state"] == "reading" and note["counters"] == {"v lost": 1}
    assert note["reason"] == "40 channels; sensor v unplugged: no device"
    back = Status(3, "sensor v", SourceState.READING, "gives v")
    assert health.event("sensor v", back, beside=True)
    health.event("sensor v", Reading(4, "sensor v", (Sample("v", 1, ONE),)), beside=True)
    note = health.as_json(10)
    assert note["reason"] == "40 channels" and note["last_reading_ms"] is None
    assert note["readings_per_s"] == {"sensor v": 1.0}


def test_while_the_car_rests_one_reading_in_ten_seconds_is_kept() -> None:
    thinning = Thinning(10_000)
    kept = [t_ms for t_ms in range(0, 30_000, 500) if thinning.keeps("a", t_ms, True)]
    assert kept == [0, 10_000, 20_000]
    assert all(thinning.keeps("a", t_ms, False) for t_ms in range(30_000, 31_000, 100))
    assert thinning.keeps("b", 30_100, True) and not thinning.keeps("a", 31_000, True)
    assert all(Thinning(0).keeps("a", t_ms, True) for t_ms in (1, 1, 2))


def test_sensors_of_a_parked_car_are_thinned_in_the_archive(
    settings: Settings, tmp_path: Path, until: Until, in_background: InBackground
) -> None:
    archive = tmp_path / "archive.db"
    plan = watch_plan(settings, "/dev/x", archive, Vehicle.unknown(), must_exist=False)
    off = threading.Event()

    def key_off(now_ms: int) -> SourceEvent:
        return Status(now_ms, "adapter", SourceState.KEY_OFF, "key off")

    def after_key_off(now_ms: int) -> SourceEvent:
        off.wait(20)
        return reading("sensor", "egr_contact", 0)(now_ms)

    car = Script(key_off)
    sensor = Script(after_key_off, *(reading("sensor", "egr_contact", 0) for _ in range(50)))
    plan = dataclasses.replace(plan, sources={"adapter": car, "sensor x": sensor})
    recorder = Recorder(plan)
    thread = in_background(recorder.run)

    def state() -> object:
        reader = begun(archive)
        return reader and (reader.state("health") or {}).get("state")

    try:
        until(lambda: state() == "key off", "key off is known")
        off.set()
        until(
            lambda: (reader := begun(archive)) and reader.series("egr_contact", 0, 2**60),
            "a reading is kept",
        )
    finally:
        off.set()
        recorder.stop()
        thread.join(20)
    (series,) = ArchiveReader(archive).series("egr_contact", 0, 2**60)
    assert len(series.raw) == 1


# ---------------------------------------------------------------- the plan


def test_sensors_alone_can_be_read(settings: Settings, tmp_path: Path) -> None:
    plan = watch_plan(settings, NO_PORT, tmp_path / "a.db", Vehicle.unknown(), must_exist=True)
    assert list(plan.sources) == ["sensor vacuum"]


def test_nothing_to_read_is_told(tmp_path: Path) -> None:
    empty = load_settings(machine_file=None)
    with pytest.raises(SootsayerError, match="leaves nothing to read"):
        watch_plan(empty, NO_PORT, tmp_path / "a.db", Vehicle.unknown(), must_exist=True)


def test_a_wrong_stream_file_or_sensor_is_told_before_the_start(
    settings: Settings, tmp_path: Path
) -> None:
    archive, car = tmp_path / "a.db", Vehicle.unknown()
    with pytest.raises(SootsayerError, match=r"missing\.toml: cannot be read"):
        watch_plan(settings, os.devnull, archive, car, False, stream=tmp_path / "missing.toml")
    own = tmp_path / "own.toml"
    own.write_text(SENSORS.replace('"iio"', '"spi"'))
    with pytest.raises(SootsayerError, match=r"own\.toml: sensors\.vacuum: kind = 'spi'"):
        watch_plan(load_settings(own), "/dev/x", archive, car, must_exist=False)
    named = dataclasses.replace(
        load_settings(machine_file=None),
        stream=dataclasses.replace(settings.stream, file=str(tmp_path / "also-missing.toml")),
    )
    with pytest.raises(SootsayerError, match="also-missing"):
        watch_plan(named, "/dev/x", archive, car, must_exist=False)


def test_the_examples_in_the_shipped_settings_are_sound() -> None:
    """Every commented sensor, with its comment signs taken off."""
    import tomllib

    from sootsayer.sources.sensors.plans import KINDS, sensor_plans

    text = files("sootsayer_config").joinpath("settings.toml").read_text(encoding="utf-8")
    lines = text.split("[sensors]\n")[1].splitlines()
    shown = [line.removeprefix("# ") for line in lines if line.startswith(("# [", "# ")) and
             (" = " in line or line.startswith("# ["))]  # fmt: skip
    stated = tomllib.loads("\n".join(shown))["sensors"]
    assert {keys["kind"] for keys in stated.values()} == set(KINDS)
    assert len(sensor_plans(stated, "x")) == len(stated) == 8
