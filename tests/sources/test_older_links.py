"""Cars of the older links through the real serial source, over a pseudo-terminal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from older_link import VIN, OlderCar, crc_j1850
from sootsayer.clock import LogClock
from sootsayer.model import CodeSeen, Identity, Reading, SourceState, SourceStatus
from sootsayer.protocol.headers import LinkKind
from sootsayer.protocol.headers import crc_j1850 as ours
from sootsayer.sources.adapter_settings import serial_settings
from sootsayer.sources.serial_adapter import SerialSource
from sources.conftest import Collector

LINKS = ("J1850", "ISO_9141", "KWP")
RATE = 15.0  # log seconds in a real one
REPLY_S = 0.3  # log time a reply takes: three readings a second


@pytest.fixture
def car(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[OlderCar]:
    car = OlderCar(tmp_path, request.param, REPLY_S / RATE)
    car.plug()
    yield car
    car.cut.set()
    if car._master >= 0:
        car.unplug()


@pytest.fixture
def collector(car: OlderCar) -> Iterator[Collector]:
    settings = replace(serial_settings(), reconnect_pauses_s=(0.05,), codes_s=30.0)
    running = Collector(SerialSource(str(car.port), LogClock(0, RATE), settings))
    yield running
    running.end()


def over(*links: str) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("car", links, indirect=True)


def value(reading: Reading, channel: str) -> float:
    sample = next(one for one in reading.samples if one.channel == channel)
    return sample.raw * sample.scaling.scale + sample.scaling.offset


def test_the_check_byte_of_the_car_is_that_of_the_standard() -> None:
    assert crc_j1850(bytes.fromhex("686AF1010C")) == 0x8B  # from independent code, not ours
    assert ours(bytes.fromhex("486B10410C1AF8")) == crc_j1850(bytes.fromhex("486B10410C1AF8"))


@over(*LINKS)
def test_values_codes_and_words_come_over_every_link(car: OlderCar, collector: Collector) -> None:
    assert value(collector.wait_channel("rpm"), "rpm") == 1726.0  # 1A F8 / 4, SAE J1979
    assert value(collector.wait_channel("egr_pct"), "egr_pct") == pytest.approx(25.098, abs=1e-3)
    assert value(collector.wait_channel("map"), "map") == 90.0
    code = collector.wait(lambda e: isinstance(e, CodeSeen))
    assert isinstance(code, CodeSeen) and code.unit == "10"
    words = collector.wait(lambda e: isinstance(e, Identity) and e.key == "vin")
    assert isinstance(words, Identity) and words.value == VIN.decode()
    reading = collector.wait_channel("tid05_c01")
    assert (value(reading, "tid05_c01"), value(reading, "tid05_c01_max")) == (0x12, 0x40)
    status = collector.wait_state(SourceState.READING)
    assert status.reason == f"{LinkKind[car.link]}, 1 control unit"
    codes = {e.code for e in collector.events if isinstance(e, CodeSeen)}
    assert codes == {"P0401", "P0171", "P0402", "P0300"}


@over(*LINKS)
def test_one_parameter_a_message_and_never_more(car: OlderCar, collector: Collector) -> None:
    collector.wait_channel("egr_pct", len(collector.events))
    collector.wait_channel("tid05_c01")
    for line in car.requests():
        assert len(line) <= 6, line  # service and one parameter, a freeze frame has its number
        assert line[:2] in ("01", "02", "03", "06", "07", "09")


@over("ISO_9141")
def test_a_slow_link_stays_usable(car: OlderCar, collector: Collector) -> None:
    """At three readings a second: the pair and what closes the balance every few seconds."""
    collector.wait(lambda e: isinstance(e, Reading) and e.t_ms - collector.events[0].t_ms > 60_000)
    readings = [e for e in list(collector.events) if isinstance(e, Reading)]
    times: dict[str, list[int]] = {}
    for reading in readings:
        for sample in reading.samples:
            times.setdefault(sample.channel, []).append(reading.t_ms)
    begin = times["egr_err"][2]
    spans = {
        channel: [b - a for a, b in pairwise(stamps) if a >= begin]
        for channel, stamps in times.items()
    }
    for channel in ("rpm", "map", "egr_pct", "egr_err"):
        usual_s = sorted(spans[channel])[len(spans[channel]) // 2] / 1000
        assert usual_s < 5.0, (channel, usual_s)
    # command and error belong together: the one follows the other at once
    apart = [
        min(abs(t - other) for other in times["egr_err"]) for t in times["egr_pct"] if t >= begin
    ]
    assert sorted(apart)[len(apart) // 2] <= 1000
    slow = [channel for channel in ("ect", "iat", "vss") if channel not in times]
    assert not slow


@over("KWP", "J1850")
def test_key_off_is_silence_and_waking_starts_the_link_again(
    car: OlderCar, collector: Collector
) -> None:
    collector.wait_channel("egr_pct")
    with car.changed:
        car.ignition, car.volts, car.initialised = False, 12.4, False
    status = collector.wait_state(SourceState.KEY_OFF)
    asked = len(car.requests())
    assert "no control unit answers" in status.reason
    looks = car.heard.count("ATRV")
    car.wait_heard(lambda heard: heard.count("ATRV") >= looks + 2)
    assert len(car.requests()) == asked  # the adapter is asked for the voltage, the car nothing
    with car.changed:
        car.ignition, car.volts = True, 14.2
    seen = len(collector.events)
    collector.wait_channel("rpm", seen)


@over("ISO_9141")
def test_a_wrong_check_byte_never_becomes_a_reading(car: OlderCar, collector: Collector) -> None:
    collector.wait_channel("rpm")
    seen = len(collector.events)
    with car.changed:
        car.scripted["010C"] = ["486B10410CFFFF22\r\r>"] * 3
    car.wait_heard(lambda heard: not car.scripted["010C"])
    collector.wait_channel("rpm", seen)
    speeds = {value(e, "rpm") for e in collector.events if isinstance(e, Reading)
              for s in e.samples if s.channel == "rpm"}  # fmt: skip
    assert speeds == {1726.0}
    assert not any(isinstance(e, SourceStatus) and e.state is SourceState.UNPLUGGED
                   for e in collector.events)  # fmt: skip
