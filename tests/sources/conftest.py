"""A tiny scripted adapter on a pseudo-terminal, and a collector that waits for events."""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import settings as hypothesis_settings

from sootsayer.clock import LogClock
from sootsayer.model import Reading, SourceEvent, SourceState, SourceStatus
from sootsayer.sources.adapter_settings import SerialSettings, serial_settings
from sootsayer.sources.serial_adapter import SerialSource

PATIENCE_S = 15.0

# current data of one engine control unit: PID → bytes
CAR = {
    0x00: "18 3B 80 01",  # 04 05 0B 0C 0D 0F 10 11 20
    0x20: "00 18 00 01",  # 2C 2D 40
    0x40: "04 00 00 00",  # 46
    0x04: "40",
    0x05: "7B",
    0x0B: "5A",
    0x0C: "1A F8",
    0x0D: "32",
    0x0F: "41",
    0x10: "01 F4",
    0x11: "55",
    0x2C: "40",
    0x2D: "80",
    0x46: "3C",
}

# how long one example takes says nothing on a machine that does other things as well
hypothesis_settings.register_profile("shared machine", deadline=None)
hypothesis_settings.load_profile("shared machine")


def can_lines(unit: str, payload: bytes) -> list[str]:
    """A reply as an adapter with headers on and blanks off prints it."""
    if len(payload) < 8:
        return [f"{unit}{len(payload):02X}{payload.hex().upper()}"]
    lines = [f"{unit}1{len(payload):03X}{payload[:6].hex().upper()}"]
    for index, at in enumerate(range(6, len(payload), 7), start=1):
        piece = payload[at : at + 7].ljust(7, b"\0")
        lines.append(f"{unit}2{index & 15:X}{piece.hex().upper()}")
    return lines


class TinyAdapter:
    """Answers the lines of the serial source; what matters to a test is set as attributes."""

    def __init__(self, folder: Path) -> None:
        self.port = folder / "adapter"
        self.volts = 14.1
        self.ignition = True
        self.line: bool | None = None  # what the ignition line says, None: has none
        self.max_pids = 6
        self.refuses: frozenset[str] = frozenset()
        self.car: dict[int, bytes] = {pid: bytes.fromhex(text) for pid, text in CAR.items()}
        self.scripted: dict[str, list[str]] = {}  # command → texts to print once, first first
        self.heard: list[str] = []
        self.changed = threading.Condition()
        self._master = -1
        self._thread: threading.Thread | None = None

    def plug(self) -> None:
        master, slave = os.openpty()
        tty.setraw(master)
        tty.setraw(slave)
        name = os.ttyname(slave)
        self._master, self._slave = master, slave
        self._wake, self._waker = os.pipe()
        self.port.unlink(missing_ok=True)
        self.port.symlink_to(name)
        self._thread = threading.Thread(target=self._serve, args=(master,), daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        self.port.unlink(missing_ok=True)
        os.write(self._waker, b"!")  # a descriptor may only be closed when nobody reads it
        assert self._thread is not None
        self._thread.join(PATIENCE_S)
        for descriptor in (self._slave, self._master, self._wake, self._waker):
            os.close(descriptor)
        self._master = -1

    def say(self, text: str) -> None:
        """Print something nobody asked for."""
        os.write(self._master, text.encode("ascii"))

    def requests(self) -> list[str]:
        with self.changed:
            return [line for line in self.heard if not line.startswith("AT") and line]

    def wait_heard(self, condition: Callable[[list[str]], bool]) -> None:
        with self.changed:
            assert self.changed.wait_for(lambda: condition(self.heard), PATIENCE_S), self.heard[
                -20:
            ]

    def _serve(self, master: int) -> None:
        pending = b""
        while True:
            ready, _, _ = select.select([master, self._wake], [], [])
            if self._wake in ready:
                return
            try:
                pending += os.read(master, 1024)
            except OSError:
                return
            while b"\r" in pending:
                line, _, pending = pending.partition(b"\r")
                self._hear(master, line.decode("ascii"))

    def _hear(self, master: int, line: str) -> None:
        with self.changed:
            self.heard.append(line)
            self.changed.notify_all()
            once = self.scripted.get(line)
            answer = once.pop(0) if once else self._answer(line) + "\r\r>"
        try:
            os.write(master, answer.encode("latin-1"))
        except OSError:
            return

    def _answer(self, line: str) -> str:
        if line in self.refuses:
            return "?"
        if line == "ATRV":
            return f"{self.volts:.1f}V"
        if line == "ATIGN":
            return "?" if self.line is None else "ON" if self.line else "OFF"
        if line in ("ATZ", "ATI"):
            return "\r\rTINY V1.0"
        if line == "ATDPN":
            return "A6"
        if line == "" or line.startswith("AT"):
            return "OK"
        return self._car_says(line)

    def _car_says(self, line: str) -> str:
        if not self.ignition:
            return "UNABLE TO CONNECT" if line == "0100" else "NO DATA"
        request = bytes.fromhex(line[: len(line) // 2 * 2])
        if request[0] == 1:
            found = b"".join(
                bytes((pid,)) + self.car[pid]
                for pid in request[1 : 1 + self.max_pids]
                if pid in self.car
            )
            return "\r".join(can_lines("7E8", b"\x41" + found)) if found else "NO DATA"
        replies = {"03": b"\x43\x00", "07": bytes.fromhex("47010401")}
        replies["0902"] = b"\x49\x02\x01SOOTSAYERDEM0CAR1"
        payload = replies.get(line)
        return "\r".join(can_lines("7E8", payload)) if payload else "NO DATA"


class Collector:
    """Runs a source in a thread and keeps its events."""

    def __init__(self, source: SerialSource) -> None:
        self.events: list[SourceEvent] = []
        self._changed = threading.Condition()
        self._stop = threading.Event()
        self._trouble: BaseException | None = None
        self._thread = threading.Thread(target=self._run, args=(source,), daemon=True)
        self._thread.start()

    def _run(self, source: SerialSource) -> None:
        try:
            source.run(self._emit, self._stop)
        except BaseException as trouble:  # shown by the test, not lost in a thread
            self._trouble = trouble

    def _emit(self, event: SourceEvent) -> None:
        with self._changed:
            self.events.append(event)
            self._changed.notify_all()

    def wait(self, condition: Callable[[SourceEvent], bool], since: int = 0) -> SourceEvent:
        """The first event after number ``since`` that meets the condition."""
        with self._changed:
            met = self._changed.wait_for(
                lambda: any(condition(event) for event in self.events[since:]), PATIENCE_S
            )
            assert met, (self._trouble, self.events[-8:])
            return next(event for event in self.events[since:] if condition(event))

    def wait_state(self, state: SourceState, since: int = 0) -> SourceStatus:
        found = self.wait(
            lambda event: isinstance(event, SourceStatus) and event.state is state, since
        )
        assert isinstance(found, SourceStatus)
        return found

    def wait_channel(self, channel: str, since: int = 0) -> Reading:
        found = self.wait(
            lambda event: (
                isinstance(event, Reading)
                and any(sample.channel == channel for sample in event.samples)
            ),
            since,
        )
        assert isinstance(found, Reading)
        return found

    def states(self) -> list[SourceState]:
        with self._changed:
            return [e.state for e in self.events if isinstance(e, SourceStatus)]

    def end(self) -> None:
        self._stop.set()
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()
        assert self._trouble is None, self._trouble


@pytest.fixture
def adapter(tmp_path: Path) -> Iterator[TinyAdapter]:
    tiny = TinyAdapter(tmp_path)
    tiny.plug()
    yield tiny
    if tiny._master >= 0:
        tiny.unplug()


@pytest.fixture
def settings() -> SerialSettings:
    """The shipped settings with pauses that suit a test."""
    return replace(
        serial_settings(),
        reconnect_pauses_s=(0.05,),
        silent_pauses_s=(1.0, 2.0),
        key_off_pauses_s=(2.0, 5.0),
    )


@pytest.fixture
def start(adapter: TinyAdapter, settings: SerialSettings) -> Iterator[Callable[..., Collector]]:
    collectors: list[Collector] = []

    def run(rate: float = 1.0, settings: SerialSettings = settings, **more: object) -> Collector:
        clock = LogClock(0, rate)
        source = SerialSource(str(adapter.port), clock, settings, **more)  # type: ignore[arg-type]
        collectors.append(Collector(source))
        return collectors[-1]

    yield run
    for collector in collectors:
        collector.end()
