"""The key's position from added sensors, for a car on CAN: nothing is asked while it is off."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from can_rig import PATIENCE_S, ScriptedCar, engine
from sootsayer.clock import LogClock
from sootsayer.model import Reading, Sample, Scaling, SourceEvent, SourceState, SourceStatus
from sootsayer.settings import CanChoice, load_settings
from sootsayer.sources.key_lines import KeyLines, heard_lines
from sootsayer.watching import sources_of

ONE = Scaling("state", 1.0, 0.0, "")
VOLT = Scaling("V0.1", 0.1, 0.0, "V")
STATED = """
[sensors.supply]
kind = "iio"
device = "adc"
input = "voltage0"
channel = "supply_v"
points = [[0.0, 0.0], [2.0, 12.0]]
min = 0
max = 20
period_s = 0.05
"""


class Clock(LogClock):
    def __init__(self) -> None:
        super().__init__(0)
        self.t_ms = 1_000

    def now_ms(self) -> int:
        return self.t_ms


def said(channel: str, raw: int, t_ms: int = 1_000) -> Reading:
    return Reading(t_ms, "sensor x", (Sample(channel, raw, VOLT if channel[0] == "s" else ONE),))


@pytest.mark.parametrize("on", [True, False])
def test_the_last_word_counts_until_it_is_old(on: bool) -> None:
    clock, key = Clock(), KeyLines({"ignition_line", "supply_v"})
    key.hear(said("ignition_line", int(not on)))
    key.hear(said("ignition_line", int(on)))
    key.hear(said("supply_v", 124))
    lines = key.lines(clock)
    assert lines.ignition() is on and lines.volts() == pytest.approx(12.4)
    clock.t_ms += 10_001
    assert lines.ignition() is None and lines.volts() is None


def test_lines_that_nobody_configured_tell_nothing_and_are_not_waited_for() -> None:
    lines = KeyLines(()).lines(Clock())
    assert lines.ignition() is None and lines.volts() is None


def test_a_sensor_is_heard_by_recorder_and_lines_alike() -> None:
    class Once:
        def run(self, emit: Callable[[SourceEvent], None], stop: threading.Event) -> None:
            emit(said("ignition_line", 1))

    lines, made = heard_lines({"key": lambda clock: Once(), "bay": lambda clock: Once()},
                              {"key": {"ignition_line"}, "bay": set()})  # fmt: skip
    clock, emitted = Clock(), list[SourceEvent]()
    made["key"](clock).run(emitted.append, threading.Event())
    assert emitted == [said("ignition_line", 1)] and lines(clock).ignition() is True
    assert isinstance(made["bay"](clock), Once)


def converter(folder: Path, volts: float) -> Path:
    """A device of the kernel's industrial I/O at which the supply is divided by six."""
    device = folder / "bus/iio/devices/iio:device0"
    device.mkdir(parents=True, exist_ok=True)
    for name, text in (("name", "adc"), ("in_voltage0_scale", "1")):
        (device / name).write_text(text)
    file = device / "in_voltage0_raw"
    file.write_text(f"{volts * 1000 / 6:.0f}")
    return file


class Heard:
    """Sources in their threads, as the recorder runs them, and what they say."""

    def __init__(self) -> None:
        self.events: list[SourceEvent] = []
        self.changed = threading.Condition()
        self.stop = threading.Event()
        self.threads: list[threading.Thread] = []

    def start(self, source: object) -> None:
        thread = threading.Thread(target=source.run, args=(self._hear, self.stop), daemon=True)  # type: ignore[attr-defined]
        self.threads.append(thread)
        thread.start()

    def _hear(self, event: SourceEvent) -> None:
        with self.changed:
            self.events.append(event)
            self.changed.notify_all()

    def wait(self, state: SourceState, words: str) -> None:
        def met() -> bool:
            return any(
                isinstance(e, SourceStatus) and (e.source, e.state) == ("can", state)
                and words in e.reason for e in self.events
            )  # fmt: skip

        with self.changed:
            assert self.changed.wait_for(met, PATIENCE_S), self.events[-5:]

    def end(self) -> None:
        self.stop.set()
        for thread in self.threads:
            thread.join(PATIENCE_S)
            assert not thread.is_alive()


class KeyContact:
    """What a contact sensor on the ignition line says; a test turns the key."""

    def __init__(self) -> None:
        self.on = False
        self.said = threading.Event()

    def __call__(self, clock: LogClock) -> KeyContact:
        self._clock = clock
        return self

    def run(self, emit: Callable[[SourceEvent], None], stop: threading.Event) -> None:
        while not stop.is_set():
            emit(said("ignition_line", int(self.on), self._clock.now_ms()))
            self.said.set()
            stop.wait(0.05)


def test_with_the_line_off_the_car_is_asked_nothing_until_it_goes_on(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Through what `watch` puts together; only what the contact says is a test's."""
    own = tmp_path / "own.toml"
    own.write_text('[sensors.key]\nkind = "contact"\nchip = "x"\nline = 3\n'
                   'channel = "ignition_line"\n')  # fmt: skip
    key = KeyContact()
    monkeypatch.setattr(
        "sootsayer.sources.sensors.making.sensor_sources", lambda *_: {"sensor key": key}
    )
    can = CanChoice("key lines", "virtual", False)
    makers = sources_of(load_settings(own), "none", None, can)
    assert list(makers) == ["can", "sensor key"]
    clock, heard = LogClock(0), Heard()
    with ScriptedCar("key lines", engine) as car:
        try:
            for make in makers.values():
                heard.start(make(clock))
            heard.wait(SourceState.KEY_OFF, "the ignition line is off")
            assert car.heard == []
            key.on = True
            heard.wait(SourceState.CONNECTING, "the ignition line is on")
            heard.wait(SourceState.READING, "1 control unit")
            key.on = False
            with heard.changed:
                heard.events.clear()
            heard.wait(SourceState.KEY_OFF, "the ignition line is off")
            asked = len(car.heard)
            assert not car.hears_more(asked, 1.0)
        finally:
            heard.end()


def test_a_rising_supply_ends_the_rest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = tmp_path / "own.toml"
    own.write_text(STATED)
    supply = converter(tmp_path / "sys", 12.4)
    monkeypatch.setattr("sootsayer.sources.sensors.making.sensor_sources.__defaults__",
                        (tmp_path / "sys", *_defaults()[1:]))  # fmt: skip
    makers = sources_of(load_settings(own), "none", None, CanChoice("supply", "virtual", False))
    clock, heard = LogClock(0), Heard()
    with ScriptedCar("supply", lambda unit, request: engine(unit, request) if on else None) as car:
        on = False
        try:
            for make in reversed(makers.values()):
                heard.start(make(clock))
            heard.wait(SourceState.KEY_OFF, "no control unit answers")
            asked = len(car.heard)
            assert not car.hears_more(asked, 1.5)
            on = True
            supply.write_text(f"{14.2 * 1000 / 6:.0f}")
            heard.wait(SourceState.CONNECTING, "charging at 14")
            heard.wait(SourceState.READING, "1 control unit")
        finally:
            heard.end()


def _defaults() -> tuple[object, ...]:
    from sootsayer.sources.sensors.making import sensor_sources

    return sensor_sources.__defaults__ or ()
