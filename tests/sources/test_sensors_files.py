"""Sensors that the kernel shows as files, on a folder that looks like /sys."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.clock import LogClock
from sootsayer.model import Reading, Scaling, SootsayerError, SourceState, SourceStatus
from sootsayer.sources.batching import BatchBuilder
from sootsayer.sources.sensors import polled
from sootsayer.sources.sensors.kernel_files import (
    GarbageError,
    IioReader,
    OneWireReader,
    one_wire_count,
)
from sootsayer.sources.sensors.making import sensor_sources
from sootsayer.sources.sensors.plans import IioPlan, OneWirePlan, sensor_plans

if TYPE_CHECKING:
    from sources.conftest import Collector

VACUUM = {
    "kind": "iio", "device": "adc", "input": "voltage0", "channel": "egr_vacuum_kpa",
    "points": [[0.5, 0.0], [4.5, 100.0]], "min": -2, "max": 102, "period_s": 0.02,
}  # fmt: skip
PASSAGE = {
    "kind": "iio", "device": "couple", "input": "temp", "channel": "egr_passage_c",
    "min": -40, "max": 900, "period_s": 0.02,
}  # fmt: skip
BAY = {
    "kind": "one-wire", "device": "28-0123456789ab", "channel": "engine_bay_c", "unit": "°C",
    "min": -40, "max": 125, "period_s": 1,
}  # fmt: skip
W1_TEXT = (
    "72 01 4b 46 7f ff 0e 10 57 : crc=57 {}\n72 01 4b 46 7f ff 0e 10 57 t={}\n"  # w1_therm's form
)


class FakeSysfs:
    """A folder in the kernel's form."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def iio(self, number: int, name: str, **values: object) -> Path:
        folder = self.root / f"bus/iio/devices/iio:device{number}"
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "name").write_text(f"{name}\n")
        for file, value in values.items():
            self.put(folder / file, value)
        return folder

    def one_wire(self, device: str, text: str) -> Path:
        folder = self.root / "bus/w1/devices" / device
        folder.mkdir(parents=True, exist_ok=True)
        self.put(folder / "w1_slave", text)
        return folder

    @staticmethod
    def put(path: Path, value: object) -> None:
        """Whole or not at all, as the kernel does it."""
        path.with_suffix(".new").write_text(f"{value}\n")
        path.with_suffix(".new").rename(path)


@pytest.fixture
def sysfs(tmp_path: Path) -> FakeSysfs:
    return FakeSysfs(tmp_path)


@pytest.fixture
def watch(sysfs: FakeSysfs, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Collector]]:
    from sources.conftest import Collector

    monkeypatch.setattr(polled, "RETRY_PAUSES_S", (0.02,))
    collectors: list[Collector] = []

    def run(stated: dict[str, Any]) -> Collector:
        (make,) = sensor_sources({"one": stated}, "settings file x", sysfs.root).values()
        collectors.append(Collector(make(LogClock(0))))  # type: ignore[arg-type]
        return collectors[-1]

    yield run
    for collector in collectors:
        collector.end()


def last_value(reading: Reading) -> float:
    sample = reading.samples[0]
    return sample.raw * sample.scaling.scale + sample.scaling.offset


# ---------------------------------------------------------------- industrial I/O


def plan(stated: dict[str, Any]) -> IioPlan:
    (found,) = sensor_plans({"one": stated}, "x")
    assert isinstance(found, IioPlan)
    return found


def quick_thermometer(sysfs: FakeSysfs) -> polled.PolledSensor:
    """Fifty times as fast as one on a wire can be."""
    (found,) = sensor_plans({"one": BAY}, "x")
    assert isinstance(found, OneWirePlan)
    reader = OneWireReader(found, sysfs.root)
    return polled.PolledSensor("one", reader, found.calibration, 0.02, LogClock(0))


def electrical(scaling: Scaling, raw: int) -> float:
    return raw * scaling.scale + scaling.offset


def test_raw_offset_and_scale_as_the_kernel_says(sysfs: FakeSysfs) -> None:
    """sysfs-bus-iio: (raw + offset) × scale is millivolts. (1000 + 24) × 2 mV = 2.048 V."""
    sysfs.iio(3, "adc", in_voltage0_raw=1000, in_voltage0_scale=2.0, in_voltage0_offset=24)
    reader = IioReader(plan(VACUUM), sysfs.root)
    assert electrical(reader.open(), reader.read()) == pytest.approx(2.048)


def test_a_shared_scale_serves_all_inputs_of_a_kind(sysfs: FakeSysfs) -> None:
    sysfs.iio(0, "adc", in_voltage0_raw=16384, in_voltage_scale=0.125)
    reader = IioReader(plan(VACUUM), sysfs.root)
    assert electrical(reader.open(), reader.read()) == pytest.approx(2.048)


def test_a_finished_value_with_decimals(sysfs: FakeSysfs) -> None:
    sysfs.iio(0, "couple", in_temp_input="23125.5")  # thousandths of °C
    reader = IioReader(plan(PASSAGE), sysfs.root)
    assert electrical(reader.open(), reader.read()) == pytest.approx(23.1255)


def test_pressure_is_in_kilopascals(sysfs: FakeSysfs) -> None:
    stated = PASSAGE | {"input": "pressure", "channel": "baro", "unit": "kPa", "max": 120}
    sysfs.iio(0, "couple", in_pressure_raw=4053, in_pressure_scale=0.025)
    reader = IioReader(plan(stated), sysfs.root)
    assert electrical(reader.open(), reader.read()) == pytest.approx(101.325)


def test_differential_inputs_have_their_own_files(sysfs: FakeSysfs) -> None:
    sysfs.iio(0, "adc", **{"in_voltage0-voltage1_raw": -500, "in_voltage0-voltage1_scale": 1})
    reader = IioReader(plan(VACUUM | {"input": "voltage0-voltage1"}), sysfs.root)
    assert electrical(reader.open(), reader.read()) == pytest.approx(-0.5)


def test_a_device_is_found_by_its_name_whatever_its_number(sysfs: FakeSysfs) -> None:
    sysfs.iio(0, "other", in_voltage0_raw=1)
    sysfs.iio(7, "adc", in_voltage0_raw=2)
    reader = IioReader(plan(VACUUM), sysfs.root)
    reader.open()
    assert reader.read() == 2
    sysfs.iio(8, "adc", in_voltage0_raw=3)
    with pytest.raises(OSError, match="2 devices are named 'adc'"):
        reader.open()


@given(st.binary(max_size=30))
def test_whatever_a_file_holds_is_a_count_or_garbage(
    tmp_path_factory: pytest.TempPathFactory, text: bytes
) -> None:
    fake = FakeSysfs(tmp_path_factory.getbasetemp() / "any")
    folder = fake.iio(0, "adc", in_voltage0_raw=0)
    reader = IioReader(plan(VACUUM), fake.root)
    reader.open()
    (folder / "in_voltage0_raw").write_bytes(text)
    try:
        assert isinstance(reader.read(), int)
    except GarbageError as trouble:
        assert "in_voltage0_raw" in str(trouble)


# ---------------------------------------------------------------- 1-Wire


def test_text_of_a_thermometer() -> None:
    assert one_wire_count(W1_TEXT.format("YES", 23125)) == 23125
    assert one_wire_count(W1_TEXT.format("YES", -1062)) == -1062


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (W1_TEXT.format("NO", 23125), "checksum is wrong"),
        ("", "checksum is wrong"),
        ("crc=57 YES\n", "checksum is wrong"),
        ("crc=57 YES\nnothing", "no temperature"),
        ("crc=57 YES\nt=99999999999", "no temperature"),
    ],
)
def test_garbage_of_a_thermometer_is_told(text: str, told: str) -> None:
    with pytest.raises(GarbageError, match=told):
        one_wire_count(text)


@given(st.text(max_size=80))
def test_any_text_of_a_thermometer_is_a_count_or_garbage(text: str) -> None:
    with suppress(GarbageError):
        assert abs(one_wire_count(text)) < 1_000_000


# ---------------------------------------------------------------- the source


def test_a_pressure_sensor_from_file_to_array(
    sysfs: FakeSysfs, watch: Callable[..., Collector]
) -> None:
    """2.5 V is the middle of 0.5 to 4.5 V: 50 kPa."""
    sysfs.iio(0, "adc", in_voltage0_raw=20000, in_voltage0_scale=0.125)
    collector = watch(VACUUM)
    first = collector.wait_channel("egr_vacuum_kpa")
    assert first.samples[0].raw == 20000  # as the converter said it
    collector.wait(lambda e: isinstance(e, Reading) and e.t_ms > first.t_ms)
    builder = BatchBuilder()
    for event in list(collector.events):
        builder.add(event)
    (series,) = builder.take(LogClock(0).now_ms()).series
    assert series.values() == pytest.approx([50.0] * len(series.raw))
    assert series.scaling.unit == "kPa"


def test_a_table_keeps_the_volts_beside_it(
    sysfs: FakeSysfs, watch: Callable[..., Collector]
) -> None:
    stated = VACUUM | {"channel": "egr_passage_c", "points": [[0.5, 200], [1, 100], [3, 0]],
                       "min": -40, "max": 300}  # fmt: skip
    sysfs.iio(0, "adc", in_voltage0_raw=2000, in_voltage0_scale=1)
    reading = watch(stated).wait_channel("egr_passage_c")
    assert [(s.channel, s.scaling.unit) for s in reading.samples] == [
        ("egr_passage_c", "°C"),
        ("egr_passage_c_raw", "V"),
    ]
    assert last_value(reading) == pytest.approx(50.0)


def test_a_thermometer_that_lost_its_power_is_not_believed(sysfs: FakeSysfs) -> None:
    from sources.conftest import Collector

    folder = sysfs.one_wire("28-0123456789ab", W1_TEXT.format("YES", 85000))
    collector = Collector(quick_thermometer(sysfs))  # type: ignore[arg-type]
    collector.wait_state(SourceState.SILENT)
    assert not any(isinstance(e, Reading) for e in collector.events)
    sysfs.put(folder / "w1_slave", W1_TEXT.format("YES", 84500))
    collector.wait_channel("engine_bay_c")
    sysfs.put(folder / "w1_slave", W1_TEXT.format("YES", 85000))  # really that warm
    collector.wait(lambda e: isinstance(e, Reading) and last_value(e) == 85.0)
    collector.end()


def test_beyond_the_limits_is_absent_counted_and_told_once(
    sysfs: FakeSysfs, watch: Callable[..., Collector]
) -> None:
    folder = sysfs.iio(0, "adc", in_voltage0_raw=40000, in_voltage0_scale=0.125)  # 5 V
    collector = watch(VACUUM)
    status = collector.wait_state(SourceState.SILENT)
    assert "5 V at the input" in status.reason and "check wire" in status.reason
    assert status.counters["one out of limits"] == polled.TROUBLES_IN_A_ROW
    assert not any(isinstance(e, Reading) for e in collector.events)
    sysfs.put(folder / "in_voltage0_raw", 20000)
    collector.wait_channel("egr_vacuum_kpa")
    assert collector.states().count(SourceState.SILENT) == 1


def test_a_device_that_vanishes_and_comes_back_under_another_number(
    sysfs: FakeSysfs, watch: Callable[..., Collector]
) -> None:
    collector = watch(VACUUM)
    assert "no device is named 'adc'" in collector.wait_state(SourceState.UNPLUGGED).reason
    folder = sysfs.iio(0, "adc", in_voltage0_raw=20000, in_voltage0_scale=0.125)
    collector.wait_channel("egr_vacuum_kpa")
    count = len(collector.events)
    (folder / "in_voltage0_raw").unlink()
    (folder / "name").unlink()
    collector.wait_state(SourceState.UNPLUGGED, since=count)
    sysfs.iio(4, "adc", in_voltage0_raw=20000, in_voltage0_scale=0.125)
    collector.wait_state(SourceState.READING, since=count)


def test_garbage_is_told_and_passes(sysfs: FakeSysfs, watch: Callable[..., Collector]) -> None:
    folder = sysfs.iio(0, "adc", in_voltage0_raw="oops", in_voltage0_scale=0.125)
    collector = watch(VACUUM)
    assert "'oops'" in collector.wait_state(SourceState.SILENT).reason
    sysfs.put(folder / "in_voltage0_raw", 20000)
    collector.wait_channel("egr_vacuum_kpa")


class Script:
    """A reader that says what it is told, one after another, the last one for ever."""

    def __init__(self, *says: int | Exception) -> None:
        self._says = list(says)

    def open(self) -> Scaling:
        return Scaling("v", 0.001, 0.0, "V")

    def read(self) -> int:
        said = self._says.pop(0) if len(self._says) > 1 else self._says[0]
        if isinstance(said, Exception):
            raise said
        return said


def test_a_busy_device_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    from sources.conftest import Collector

    busy = OSError(errno.EBUSY, "Device or resource busy")
    failed = OSError(errno.EIO, "Input/output error")
    reader = Script(busy, busy, busy, failed, 2500)
    source = polled.PolledSensor("one", reader, plan(VACUUM).calibration, 0.01, LogClock(0))
    collector = Collector(source)  # type: ignore[arg-type]
    assert last_value(collector.wait_channel("egr_vacuum_kpa")) == pytest.approx(50.0)
    silent, reading = [e for e in collector.events if isinstance(e, SourceStatus)]
    assert "through its buffer" in silent.reason and silent.counters == {"one busy": 3}
    assert reading.counters == {"one busy": 3, "one read failed": 1}
    collector.end()


# ---------------------------------------------------------------- the settings


@pytest.mark.parametrize(
    ("stated", "told"),
    [
        (VACUUM | {"kind": "spi"}, "kind = 'spi'; choose one of iio, one-wire"),
        (VACUUM | {"input": "in_voltage0_raw"}, "without in_ and _raw"),
        (VACUUM | {"unit": "V"}, "unit = 'V', but egr_vacuum_kpa is in 'kPa'"),
        (VACUUM | {"chanel": "x"}, "unknown key 'chanel'; did you mean 'channel'?"),
        (VACUUM | {"channel": "EGR"}, "small letters"),
        (VACUUM | {"max": -5}, "is not below"),
        (VACUUM | {"points": 3}, "is not a list of pairs"),
        (BAY | {"device": "28"}, "such as 28-0123456789ab"),
        (BAY | {"period_s": 0.1}, "period_s = 0.1 is out of range"),
        ({"kind": "contact", "chip": "/dev/gpiochip0", "channel": "c"}, "'line' is missing"),
        (3, "write [sensors.one] on a line of its own"),
    ],
)
def test_what_is_wrong_names_sensor_key_and_value(stated: Any, told: str) -> None:
    with pytest.raises(SootsayerError) as caught:
        sensor_plans({"one": stated}, "settings file mine.toml")
    said = str(caught.value)
    assert said.startswith("settings file mine.toml: sensors.one") and told in said


def test_two_sensors_may_not_give_one_channel() -> None:
    with pytest.raises(SootsayerError, match=r"sensors.b.*'egr_vacuum_kpa' is also given by"):
        sensor_plans({"a": VACUUM, "b": VACUUM}, "x")
