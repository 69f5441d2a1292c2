"""The serial source on a real pseudo-terminal against a tiny scripted adapter."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from sootsayer.clock import LogClock
from sootsayer.model import CodeSeen, CodesRead, Identity, Reading, SourceState, SourceStatus
from sootsayer.sources.adapter_settings import SerialSettings
from sootsayer.sources.allow import check
from sootsayer.sources.key_off import Lines
from sootsayer.sources.serial_adapter import SerialSource

if TYPE_CHECKING:
    from sources.conftest import Collector, TinyAdapter

Start = Callable[..., "Collector"]


def test_readings_that_belong_together_come_in_one_reply(
    adapter: TinyAdapter, start: Start
) -> None:
    collector = start()
    reading = collector.wait_channel("egr_pct")
    values = {s.channel: s.raw * s.scaling.scale + s.scaling.offset for s in reading.samples}
    assert reading.unit == "7E8"
    assert values["egr_pct"] == pytest.approx(25.098, abs=1e-3)  # 64 × 100/255, SAE J1979 PID 2C
    assert values["egr_err"] == 0.0
    assert values["rpm"] == 1726.0
    assert {"map", "maf", "tp"} <= values.keys()
    collector.wait_state(SourceState.READING)


def test_slow_ones_codes_and_identity_follow(adapter: TinyAdapter, start: Start) -> None:
    collector = start()
    for channel in ("ect", "aat", "vss", "load_pct", "adapter_voltage"):
        collector.wait_channel(channel)
    collector.wait(lambda e: isinstance(e, Identity) and e.value == "SOOTSAYERDEM0CAR1")
    collector.wait(lambda e: isinstance(e, CodeSeen) and e.code == "P0401")
    collector.wait(lambda e: isinstance(e, CodesRead) and e.count == 0)
    can = collector.wait(lambda e: isinstance(e, Identity) and e.key == "adapter can")
    assert isinstance(can, Identity) and can.value == "6 parameters a request, count digit works"


def test_stamps_ascend_and_lie_between_request_and_reply(
    adapter: TinyAdapter, start: Start
) -> None:
    collector = start(rate=10.0)
    first = collector.wait_channel("egr_pct")
    collector.wait(lambda e: isinstance(e, Reading) and e.t_ms > first.t_ms + 3000)
    stamps = [event.t_ms for event in collector.events if isinstance(event, Reading)]
    assert len(stamps) > 5 and stamps == sorted(stamps)


def test_only_allowed_lines_are_on_the_wire(adapter: TinyAdapter, start: Start) -> None:
    tapped: list[bytes] = []
    collector = start(tap=lambda way, line: tapped.append(line) if way == "sent" else None)
    collector.wait(lambda e: isinstance(e, CodesRead))
    adapter.unplug()
    collector.wait_state(SourceState.UNPLUGGED)
    adapter.plug()
    collector.wait_channel("egr_pct", since=len(collector.events))
    assert len(tapped) > 20
    for line in tapped:
        check(line)
    for line in adapter.heard:
        check(line.encode() + b"\r")


def test_unplugged_is_told_and_replugged_goes_on(adapter: TinyAdapter, start: Start) -> None:
    collector = start()
    collector.wait_channel("egr_pct")
    adapter.unplug()
    status = collector.wait_state(SourceState.UNPLUGGED)
    assert "adapter" in status.reason
    seen = len(collector.events)
    adapter.plug()
    collector.wait_state(SourceState.READING, seen)
    collector.wait_channel("egr_pct", seen)


def test_a_missing_port_is_told_with_its_name_and_taken_when_it_comes(
    adapter: TinyAdapter, start: Start
) -> None:
    adapter.unplug()
    collector = start()
    status = collector.wait_state(SourceState.UNPLUGGED)
    assert status.reason == f"{adapter.port} does not exist; plug the adapter in or check the name"
    adapter.plug()
    collector.wait_channel("rpm")


def test_a_name_that_is_no_port_is_told(tmp_path: Path, settings: SerialSettings) -> None:
    said: list[SourceStatus] = []
    stop = threading.Event()

    def emit(event: object) -> None:
        assert isinstance(event, SourceStatus)
        said.append(event)
        if event.state is SourceState.UNPLUGGED:
            stop.set()

    SerialSource("nonsense://x", LogClock(0), settings).run(emit, stop)
    assert "nonsense://x is no serial port" in said[-1].reason


# ---------------------------------------------------------------- key off


def test_key_off_stops_all_requests_until_the_voltage_rises(
    adapter: TinyAdapter, start: Start
) -> None:
    collector = start(rate=40.0)
    collector.wait_channel("egr_pct")
    with adapter.changed:
        adapter.ignition, adapter.volts = False, 12.4
        turned = len(adapter.heard)
    status = collector.wait_state(SourceState.KEY_OFF)
    assert status.reason == "no control unit answers, 12.4 V"
    off = len(adapter.heard)
    adapter.wait_heard(lambda heard: len(heard) >= off + 5)
    with adapter.changed:
        quiet = adapter.heard[off:]
        assert "ATPC" in adapter.heard[turned:]
        assert set(quiet) <= {"ATRV", "ATPC"}
        before = adapter.requests()
        adapter.ignition, adapter.volts = True, 14.0
    seen = len(collector.events)
    collector.wait_channel("egr_pct", seen)
    woken = collector.wait_state(SourceState.CONNECTING, seen)
    assert woken.reason == "charging at 14.0 V"
    assert len(adapter.requests()) > len(before)


def test_a_sleeping_car_is_asked_once_and_left_asleep(adapter: TinyAdapter, start: Start) -> None:
    adapter.ignition, adapter.volts = False, 12.5
    collector = start(rate=40.0)
    status = collector.wait_state(SourceState.KEY_OFF)
    assert status.reason == "no control unit answers, 12.5 V"
    adapter.wait_heard(lambda heard: heard.count("ATRV") >= 6)
    assert adapter.requests() == ["0100"]


def test_an_engine_that_stands_still_is_left_alone_after_a_while(
    adapter: TinyAdapter, start: Start
) -> None:
    collector = start(rate=40.0)
    collector.wait_channel("egr_pct")
    with adapter.changed:
        adapter.volts = 12.3
        adapter.car[0x0C] = b"\0\0"
    status = collector.wait_state(SourceState.KEY_OFF)
    assert status.reason.startswith("engine stopped for 3")  # 30 s and a little
    assert status.reason.endswith("12.3 V")


def test_a_resting_adapter_that_is_replugged_still_does_not_ask_the_car(
    adapter: TinyAdapter, start: Start
) -> None:
    collector = start(rate=40.0)
    collector.wait_channel("egr_pct")
    with adapter.changed:
        adapter.ignition, adapter.volts = False, 12.4
    collector.wait_state(SourceState.KEY_OFF)
    before = len(adapter.requests())
    adapter.unplug()
    collector.wait_state(SourceState.UNPLUGGED)
    adapter.plug()
    off = len(adapter.heard)
    adapter.wait_heard(lambda heard: heard[off:].count("ATRV") >= 3)
    assert len(adapter.requests()) == before


def test_silence_while_the_alternator_charges_is_not_key_off(
    adapter: TinyAdapter, start: Start
) -> None:
    collector = start(rate=20.0)
    collector.wait_channel("egr_pct")
    with adapter.changed:
        adapter.ignition = False
    collector.wait_state(SourceState.SILENT)
    seen = len(collector.events)
    with adapter.changed:
        adapter.ignition = True
    collector.wait_channel("egr_pct", seen)
    assert SourceState.KEY_OFF not in collector.states()


def test_without_a_voltage_the_car_is_asked_seldom(
    adapter: TinyAdapter, start: Start, settings: SerialSettings
) -> None:
    adapter.refuses = frozenset({"ATRV"})
    adapter.ignition = False
    collector = start(rate=100.0, settings=replace(settings, blind_pauses_s=(60.0, 300.0)))
    status = collector.wait_state(SourceState.KEY_OFF)
    assert status.reason == "no control unit answers, voltage unknown"
    adapter.wait_heard(lambda heard: heard.count("0100") >= 2)
    with adapter.changed:
        adapter.ignition = True
    collector.wait_channel("egr_pct")


def test_the_ignition_line_stops_and_wakes_where_there_is_no_voltage(
    adapter: TinyAdapter, start: Start
) -> None:
    adapter.refuses, adapter.line = frozenset({"ATRV"}), True
    collector = start(rate=40.0)
    collector.wait_channel("egr_pct")
    with adapter.changed:
        adapter.car[0x0C] = b"\0\0"
    collector.wait(
        lambda e: (
            isinstance(e, Reading) and any(s.channel == "rpm" and not s.raw for s in e.samples)
        )
    )
    with adapter.changed:
        adapter.line = False  # it still answers, as in the seconds after key-off
    status = collector.wait_state(SourceState.KEY_OFF)
    assert status.reason == "ignition line went off, voltage unknown"
    off = len(adapter.heard)
    adapter.wait_heard(lambda heard: heard[off:].count("ATIGN") >= 4)
    with adapter.changed:
        assert set(adapter.heard[off:]) <= {"ATRV", "ATIGN", "ATPC"}
        adapter.line, adapter.car[0x0C] = True, b"\x1a\xf8"
    seen = len(collector.events)
    collector.wait_channel("egr_pct", seen)
    assert collector.wait_state(SourceState.CONNECTING, seen).reason == "ignition line went on"


def test_added_lines_wake_where_the_adapter_itself_tells_nothing(
    adapter: TinyAdapter, start: Start, settings: SerialSettings
) -> None:
    adapter.refuses = frozenset({"ATRV"})
    line = {"on": True}
    collector = start(
        rate=40.0,
        settings=replace(settings, blind_pauses_s=(1.0,)),
        lines=Lines(ignition=lambda: line["on"]),
    )
    collector.wait_channel("egr_pct")
    with adapter.changed:
        line["on"] = adapter.ignition = False
    collector.wait_state(SourceState.KEY_OFF)
    off = len(adapter.heard)
    adapter.wait_heard(lambda heard: heard[off:].count("ATRV") >= 6)
    with adapter.changed:
        assert set(adapter.heard[off:]) <= {"ATRV", "ATPC"}, "the car is asked nothing"
        line["on"] = adapter.ignition = True
    seen = len(collector.events)
    collector.wait_channel("egr_pct", seen)
    assert collector.wait_state(SourceState.CONNECTING, seen).reason == "ignition line went on"


def test_an_added_line_ends_asking_while_control_units_still_answer(
    adapter: TinyAdapter, start: Start, settings: SerialSettings
) -> None:
    """A sensor of the ignition line is quicker than voltage and missed replies."""
    line = {"on": True}
    collector = start(rate=40.0, settings=settings, lines=Lines(ignition=lambda: line["on"]))
    collector.wait_channel("egr_pct")
    with adapter.changed:
        adapter.car[0x0C], adapter.volts = b"\x00\x00", 12.4
        line["on"] = False
    assert "ignition line went off" in collector.wait_state(SourceState.KEY_OFF).reason
    off = len(adapter.heard)
    adapter.wait_heard(lambda heard: heard[off:].count("ATRV") >= 3)
    with adapter.changed:
        assert set(adapter.heard[off:]) <= {"ATRV", "ATPC"}, "the car is asked nothing"


def test_a_line_that_nobody_connected_is_not_waited_for(
    adapter: TinyAdapter, start: Start, settings: SerialSettings
) -> None:
    adapter.refuses, adapter.line = frozenset({"ATRV"}), False
    collector = start(rate=40.0, settings=replace(settings, blind_pauses_s=(30.0,)))
    collector.wait_channel("egr_pct")
    with adapter.changed:
        adapter.ignition = False
    collector.wait_state(SourceState.KEY_OFF)
    off = len(adapter.heard)
    adapter.wait_heard(lambda heard: "0100" in heard[off:])
    with adapter.changed:
        adapter.ignition = True
    collector.wait_channel("egr_pct", len(collector.events))


# ---------------------------------------------------------------- quirks and trouble


def test_an_adapter_that_cuts_long_requests_is_asked_for_one_at_a_time(
    adapter: TinyAdapter, start: Start
) -> None:
    adapter.max_pids = 1
    collector = start()
    can = collector.wait(lambda e: isinstance(e, Identity) and e.key == "adapter can")
    assert isinstance(can, Identity) and can.value.startswith("1 parameters")
    reading = collector.wait_channel("egr_pct")
    assert len(reading.samples) == 1


def test_three_at_a_time_where_six_are_too_many(adapter: TinyAdapter, start: Start) -> None:
    adapter.max_pids = 3
    collector = start()
    can = collector.wait(lambda e: isinstance(e, Identity) and e.key == "adapter can")
    assert isinstance(can, Identity) and can.value.startswith("3 parameters")
    reading = collector.wait_channel("egr_pct")
    assert [s.channel for s in reading.samples] == ["egr_pct", "egr_err", "rpm"]


def test_a_restart_of_the_adapter_sets_everything_again(adapter: TinyAdapter, start: Start) -> None:
    collector = start()
    collector.wait_channel("egr_pct")
    adapter.scripted["012C2D0C0B1011"] = ["LV RESET\r\r>"]
    adapter.wait_heard(lambda heard: heard.count("ATH1") >= 2)
    collector.wait_channel("egr_pct", since=len(collector.events))


def test_an_adapter_that_announces_itself_is_set_again(adapter: TinyAdapter, start: Start) -> None:
    collector = start()
    collector.wait_channel("egr_pct")
    adapter.say("\r\rTINY V1.0\r\r>")
    adapter.wait_heard(lambda heard: heard.count("ATH1") >= 2)
    collector.wait_channel("egr_pct", since=len(collector.events))


def test_a_reply_to_another_request_never_becomes_a_reading(
    adapter: TinyAdapter, start: Start
) -> None:
    stale = "7E803410D99\r\r>"  # 153 km/h, which nobody asked for
    adapter.scripted["012C2D0C0B1011"] = [stale]
    collector = start(settings=None)
    collector.wait_channel("vss")
    collector.wait_channel("egr_pct")
    speeds = {
        sample.raw
        for event in collector.events
        if isinstance(event, Reading)
        for sample in event.samples
        if sample.channel == "vss"
    }
    assert speeds == {0x32}


def test_an_adapter_that_overruns_is_asked_for_less_at_once(
    adapter: TinyAdapter, start: Start
) -> None:
    adapter.scripted["012C2D0C0B1011"] = ["7E8100F412C40\rBUFFER FULL\r\r>"] * 3
    collector = start()
    reading = collector.wait_channel("egr_pct")
    assert [s.channel for s in reading.samples] == ["egr_pct", "egr_err", "rpm"]
    assert SourceState.SILENT not in collector.states()


def test_a_missing_prompt_is_survived(adapter: TinyAdapter, start: Start) -> None:
    collector = start()
    collector.wait_channel("egr_pct")
    adapter.scripted["012C2D0C0B1011"] = ["7E8064100"]
    adapter.wait_heard(lambda heard: heard.count("") >= 2)
    collector.wait_channel("egr_pct", since=len(collector.events))


def test_counters_are_told_once_in_a_while(
    adapter: TinyAdapter, start: Start, settings: SerialSettings
) -> None:
    adapter.scripted["012C2D0C0B1011"] = ["7E8xx\r\r>"]
    collector = start(settings=replace(settings, counters_s=0.2))
    collector.wait(
        lambda e: isinstance(e, SourceStatus) and e.counters.get("line that is no reply", 0) > 0
    )


def test_stopping_is_prompt(adapter: TinyAdapter, start: Start) -> None:
    collector = start()
    collector.wait_channel("egr_pct")
    collector.end()
