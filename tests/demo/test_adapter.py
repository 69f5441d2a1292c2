"""The adapter as a device: pyserial talks to it, it is pulled out and put back."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import serial

from demo_values import ParkedCar
from sootsayer.clock import Deadline, LogClock
from sootsayer.demo.adapter import EmulatedAdapter
from sootsayer.demo.at_commands import IDENTITY

WITHIN_S = 5.0


@pytest.fixture
def car() -> ParkedCar:
    return ParkedCar()


@pytest.fixture
def adapter(car: ParkedCar) -> Iterator[EmulatedAdapter]:
    with EmulatedAdapter(car, LogClock(0), latency_s=0.0, reset_s=0.0) as plugged:
        yield plugged


def ask(port: serial.Serial, line: str) -> str:
    port.write(line.encode() + b"\r")
    return port.read_until(b">").decode()


def test_transcript_over_the_port(adapter: EmulatedAdapter) -> None:
    with serial.Serial(adapter.port, 38400, timeout=WITHIN_S) as port:
        assert ask(port, "ATZ") == f"ATZ\r\r{IDENTITY}\r\r\r>"
        assert ask(port, "ATE0") == "ATE0\rOK\r\r>"
        assert ask(port, "ATS0") == "OK\r\r>"
        assert ask(port, "ATH1") == "OK\r\r>"
        assert ask(port, "0100") == "SEARCHING...\r7E8064100BE3F8013AA\r7E906410088080000AA\r\r>"
        assert ask(port, "") == "7E8064100BE3F8013AA\r7E906410088080000AA\r\r>"
        assert ask(port, "ATL1") == "OK\r\n\r\n>"
    assert [line for _, line in adapter.tap] == ["ATZ", "ATE0", "ATS0", "ATH1", "0100", "", "ATL1"]


def test_the_car_is_driven_up_to_the_clock(adapter: EmulatedAdapter, car: ParkedCar) -> None:
    before = LogClock(0).now_ms()
    with serial.Serial(adapter.port, timeout=WITHIN_S) as port:
        ask(port, "010C")
    assert before <= car.at_ms[0] <= LogClock(0).now_ms()


def test_a_byte_while_it_works_stops_it(car: ParkedCar) -> None:
    with (
        EmulatedAdapter(car, LogClock(0), latency_s=WITHIN_S) as slow,
        serial.Serial(slow.port, timeout=WITHIN_S) as port,
    ):
        port.write(b"ATE0\r")
        port.read_until(b">")
        port.write(b"010C\r")
        deadline = Deadline(WITHIN_S)
        while not any(line == "010C" for _, line in slow.tap):
            assert not deadline.passed()
        port.write(b" ")
        assert port.read_until(b">") == b"STOPPED\r\r>"
        assert ask(port, "ATRV") == "12.4V\r\r>"


def test_pulled_out_it_fails_and_put_back_it_answers_at_the_same_path(
    adapter: EmulatedAdapter,
) -> None:
    path = adapter.port
    with serial.Serial(path, timeout=WITHIN_S) as port:
        ask(port, "ATE0")
        adapter.unplug()
        with pytest.raises(serial.SerialException):
            port.write(b"ATRV\r")
            port.read_until(b">")
    with pytest.raises(serial.SerialException):
        serial.Serial(path)
    adapter.replug()
    assert adapter.port == path
    with serial.Serial(path, timeout=WITHIN_S) as port:
        assert ask(port, "ATI") == f"ATI\r{IDENTITY}\r\r>"  # echo is on again: all was forgotten


def test_pulled_out_while_it_works(car: ParkedCar) -> None:
    slow = EmulatedAdapter(car, LogClock(0), latency_s=60.0)
    slow.start()
    with serial.Serial(slow.port, timeout=WITHIN_S) as port:
        port.write(b"010C\r")
        deadline = Deadline(WITHIN_S)
        while not slow.tap:
            assert not deadline.passed()
        slow.stop()
    assert not deadline.passed()


def test_the_starter_resets_it(car: ParkedCar) -> None:
    with (
        EmulatedAdapter(car, LogClock(0), 0.0, 0.0, resets_when_cranking=True) as weak,
        serial.Serial(weak.port, timeout=WITHIN_S) as port,
    ):
        ask(port, "ATE0")
        car.cranking = True
        assert port.read_until(b">") == b"\rLV RESET\r\r\r>"
        car.cranking = False
        assert ask(port, "ATRV") == "ATRV\r12.4V\r\r>"
