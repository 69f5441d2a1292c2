"""Listening on python-can's virtual bus: broadcasts become readings and nothing is ever sent."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.clock import LogClock
from sootsayer.model import (
    CodeSeen,
    Reading,
    SootsayerError,
    SourceEvent,
    SourceState,
    SourceStatus,
)
from sootsayer.protocol.j1939 import J1939Decoder
from sootsayer.sources.dbc import load_dbc
from sootsayer.sources.listen import ListenSource, Receiver, bus_opener

PATIENCE_S = 15.0
EEC1 = can.Message(arbitration_id=0x0CF00400, data=bytes.fromhex("FFFFFF401FFFFFFF"))
EEC7 = can.Message(arbitration_id=0x18FD9400, data=bytes.fromhex("10274026FFFFFFFF"))
DM1 = can.Message(arbitration_id=0x18FECA00, data=bytes.fromhex("4000E70A0503FFFF"))
OWN = can.Message(
    arbitration_id=0x280, is_extended_id=False, data=bytes.fromhex("0FA0000000000000")
)


class Ears:
    """Runs a source in a thread and waits for its events."""

    def __init__(self, source: ListenSource) -> None:
        self.events: list[SourceEvent] = []
        self.changed = threading.Condition()
        self.stop = threading.Event()
        self.thread = threading.Thread(target=source.run, args=(self.hear, self.stop), daemon=True)
        self.thread.start()

    def hear(self, event: SourceEvent) -> None:
        with self.changed:
            self.events.append(event)
            self.changed.notify_all()

    def wait(self, condition: Callable[[SourceEvent], bool]) -> SourceEvent:
        with self.changed:
            met = self.changed.wait_for(lambda: any(map(condition, self.events)), PATIENCE_S)
            assert met, self.events
            return next(filter(condition, self.events))

    def wait_state(self, state: SourceState) -> SourceEvent:
        return self.wait(lambda e: isinstance(e, SourceStatus) and e.state is state)

    def wait_value(self, channel: str) -> float:
        reading = self.wait(
            lambda e: isinstance(e, Reading) and any(s.channel == channel for s in e.samples)
        )
        assert isinstance(reading, Reading)
        sample = next(s for s in reading.samples if s.channel == channel)
        return sample.raw * sample.scaling.scale + sample.scaling.offset

    def end(self) -> None:
        self.stop.set()
        self.thread.join(PATIENCE_S)
        assert not self.thread.is_alive()


@pytest.fixture
def car(request: pytest.FixtureRequest):  # type: ignore[no-untyped-def]
    with can.Bus(channel=request.node.name, interface="virtual") as bus:
        yield bus


def listening(channel: str, *decoders, **more) -> Ears:  # type: ignore[no-untyped-def]
    source = ListenSource(bus_opener("virtual", channel), LogClock(0), decoders, **more)
    ears = Ears(source)
    ears.wait_state(SourceState.CONNECTING)
    return ears


def send_until(car: can.BusABC, ears: Ears, channel: str, *messages: can.Message) -> float:
    """The listener may not have opened the bus yet: broadcasts come again and again."""
    done = threading.Event()

    def broadcast() -> None:
        while not done.wait(0.01):
            for message in messages:
                car.send(message)

    thread = threading.Thread(target=broadcast, daemon=True)
    thread.start()
    try:
        return ears.wait_value(channel)
    finally:
        done.set()
        thread.join(PATIENCE_S)


def test_heavy_vehicles_are_read_by_listening(car: can.BusABC, request) -> None:  # type: ignore[no-untyped-def]
    ears = listening(request.node.name, J1939Decoder())
    assert send_until(car, ears, "egr_a_act", EEC1, EEC7, DM1) == pytest.approx(25.0)
    assert ears.wait_value("rpm") == 1000.0
    code = ears.wait(lambda e: isinstance(e, CodeSeen))
    assert isinstance(code, CodeSeen) and code.code == "SPN 2791 FMI 5"
    ears.wait_state(SourceState.READING)
    ears.end()
    assert car.recv(timeout=0) is None  # not one frame from us


def test_a_dbc_file_and_j1939_on_one_bus(car: can.BusABC, request, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    dbc, signals = tmp_path / "car.dbc", tmp_path / "map.toml"
    dbc.write_text(
        'VERSION ""\nBU_: E\nBO_ 640 ENGINE: 8 E\n SG_ S : 7|16@0+ (0.25,0) [0|0] "rpm" E\n'
    )
    signals.write_text('[signals]\nrpm = "ENGINE.S"\n')
    ears = listening(request.node.name, load_dbc(dbc, signals), J1939Decoder())
    assert send_until(car, ears, "rpm", OWN) == 1000.0
    assert send_until(car, ears, "egr_a_act", EEC7) == pytest.approx(25.0)
    ears.end()


def test_silence_is_told(car: can.BusABC, request) -> None:  # type: ignore[no-untyped-def]
    ears = listening(request.node.name, J1939Decoder(), quiet_s=0.05)
    ears.wait_state(SourceState.SILENT)
    ears.end()


def test_an_interface_that_is_not_there_is_told_and_tried_again() -> None:
    source = ListenSource(bus_opener("socketcan", "can77"), LogClock(0), [J1939Decoder()])
    ears = Ears(source)
    status = ears.wait_state(SourceState.UNPLUGGED)
    assert isinstance(status, SourceStatus)
    assert status.reason.startswith("CAN interface can77 (socketcan) cannot be opened: ")
    ears.end()


def test_a_bus_that_goes_away_is_opened_again() -> None:
    opened = []

    class Flaky:
        def recv(self, timeout: float | None = None) -> None:
            raise can.CanOperationError("device gone")

        def fileno(self) -> int:
            raise NotImplementedError

        def shutdown(self) -> None:
            opened.append("closed")

    ears = Ears(ListenSource(lambda: Receiver(Flaky()), LogClock(0), [J1939Decoder()]))
    status = ears.wait_state(SourceState.UNPLUGGED)
    assert isinstance(status, SourceStatus) and status.reason == "the bus is gone: device gone"
    with ears.changed:
        assert ears.changed.wait_for(lambda: opened, PATIENCE_S)
    ears.end()


def test_a_receiver_offers_nothing_that_could_send() -> None:
    with can.Bus(channel="half", interface="virtual") as bus:
        receiver = Receiver(bus)
        assert {name for name in dir(receiver) if not name.startswith("_")} == {
            "close", "receive", "wait",
        }  # fmt: skip
        with pytest.raises(AttributeError):
            receiver.send = bus.send  # type: ignore[attr-defined]


def test_an_unknown_kind_of_interface_is_one_line() -> None:
    with pytest.raises(SootsayerError, match="cannot be opened"):
        bus_opener("no such kind", "can0")()


@given(st.lists(st.tuples(st.integers(0, 0x1FFFFFFF), st.binary(max_size=8)), max_size=30))
def test_whatever_is_on_the_bus_nothing_is_sent(noise: list[tuple[int, bytes]]) -> None:
    sent: list[object] = []

    class Bus:
        def __init__(self) -> None:
            self.frames = [can.Message(arbitration_id=a, data=body) for a, body in noise]

        def recv(self, timeout: float | None = None) -> can.Message | None:
            if self.frames:
                return self.frames.pop()
            stop.set()
            return None

        def fileno(self) -> int:
            return -1

        def shutdown(self) -> None: ...

        def send(self, message: object, timeout: float | None = None) -> None:
            sent.append(message)

    stop = threading.Event()
    source = ListenSource(lambda: Receiver(Bus()), LogClock(0), [J1939Decoder()])
    source.run(lambda event: None, stop)
    assert not sent
