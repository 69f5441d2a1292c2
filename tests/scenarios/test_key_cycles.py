"""A car that is driven, stalls, sleeps and is started hot again, with the wire tapped throughout.

The tap writes down everything that reaches the wire over several key cycles. What may stand there
is listed below, each with its reason: a new request needs a new line here.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest

from sootsayer.clock import Deadline, LogClock, boottime_ms, wall_ms
from sootsayer.demo.adapter import EmulatedAdapter
from sootsayer.demo.build import Make, individual
from sootsayer.demo.cars import CarSpec
from sootsayer.demo.drive import Road, RoadBuilder
from sootsayer.demo.live import LiveCar
from sootsayer.model import CodesRead, Reading, SourceEvent, SourceState, SourceStatus
from sootsayer.sources.serial_adapter import SerialSource

RATE = 15.0  # log seconds in a real second: a busy machine must not make replies late
CYCLES = 3
DRIVEN_S, STALLED_S, ASLEEP_S = 45, 18, 75
PATIENCE_S = 120.0

# ---------------------------------------------------------------- what may stand on the wire

SETTINGS = {
    "": "stops an adapter that may be busy",
    "ATZ": "a known beginning",
    "ATE0": "no echo", "ATL0": "no line feeds", "ATS0": "no blanks: fewer bytes",
    "ATH1": "headers, to tell control units apart",
    "ATAT1": "usual adaptive timing",
    "ATCAF1": "the adapter makes and reads lengths", "ATCFC1": "and does the flow control",
    "ATSW00": "no keep-alive: control units may sleep",
    "ATSP0": "search for the link", "ATDPN": "which link was found",
    "ATI": "which adapter", "ATRV": "voltage", "ATIGN": "ignition line",
    "ATPC": "closes the link at key-off",
}  # fmt: skip

# SAE J1979 service 01, each parameter by itself whatever it shared a request with
PARAMETERS = {
    0x00: "what there is of 01 to 20", 0x20: "of 21 to 40", 0x40: "of 41 to 60",
    0x60: "of 61 to 80", 0x80: "of 81 to A0", 0xA0: "of A1 to C0",
    0x01: "readiness, lamp", 0x41: "readiness this cycle",
    0x02: "code that stored the freeze frame",
    0x03: "fuel loop: trims mean something when closed",
    0x04: "load", 0x05: "coolant: warm, cold", 0x06: "short trim", 0x07: "long trim",
    0x08: "short trim, bank 2", 0x09: "long trim, bank 2",
    0x0B: "manifold pressure: flow", 0x0C: "engine speed: everything", 0x0D: "road speed: cruise",
    0x0E: "spark: knock", 0x0F: "intake temperature: density", 0x10: "air mass: flow",
    0x11: "throttle: cruise, wide open", 0x1C: "which standard", 0x1F: "time since start",
    0x21: "distance with lamp", 0x2C: "command", 0x2D: "error", 0x2E: "purge poses as trim",
    0x2F: "fuel level: a circumstance", 0x30: "warm-ups since cleared",
    0x31: "distance since cleared", 0x33: "barometer: altitude",
    0x42: "voltage", 0x43: "absolute load", 0x44: "commanded ratio", 0x45: "relative throttle",
    0x46: "outside temperature", 0x49: "pedal", 0x4C: "commanded throttle",
    0x4D: "time with lamp", 0x4E: "time since cleared", 0x51: "fuel", 0x65: "gear input",
    0x69: "valve: command, position, error", 0x6B: "gas temperature", 0xA6: "odometer",
}  # fmt: skip

QUESTIONS = {
    "07": "pending codes", "03": "confirmed codes", "0A": "permanent codes",
    "0900": "which words there are", "0902": "VIN", "0904": "calibration", "0906": "its checksum",
    "090A": "name", "0908": "how often its monitors ran", "090B": "the same, compression ignition",
    "020200": "is there a freeze frame",
    "020000": "what is frozen of 01 to 20", "022000": "of 21 to 40",
    "0620": "which monitors of 21 to 40", "0631": "result of recirculation's monitor",
}  # fmt: skip
ALWAYS = {"07", "03", "0A", "0900", "0902", "0904", "0906", "090A", "020200", "0620"}
FROZEN = {0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x2C, 0x2D, 0x33}
ASLEEP = {"ATRV", "ATIGN", "ATPC"}  # what may be said while the key is off: none reaches the car

# ---------------------------------------------------------------- the car


def key_cycles() -> Iterator[Road]:
    """Start, drive, stall at a light and start again, park, stand; the next start is a hot one."""
    draw = np.random.default_rng(7)
    while True:
        builder = RoadBuilder(draw)
        builder.start_engine()
        builder.go(50, DRIVEN_S / 2)
        builder.slow_to(0.0, 1.3)
        builder.stand(STALLED_S, 1.0, 0.0, 0.0)
        builder.stand(6, 1.0, 1.0, 1.0)
        builder.go(45, DRIVEN_S / 2)
        builder.park()
        builder.stand(ASLEEP_S, 0.0, 0.0, 0.0)
        yield builder.road()


@dataclass
class Recorded:
    """What the source said and what went over the wire, with log time."""

    events: list[SourceEvent] = field(default_factory=list)
    sent: list[tuple[int, str]] = field(default_factory=list)
    heard_by_adapter: list[tuple[int, str]] = field(default_factory=list)
    pids: frozenset[int] = frozenset()
    changed: threading.Condition = field(default_factory=threading.Condition)

    def hear(self, event: SourceEvent) -> None:
        with self.changed:
            self.events.append(event)
            self.changed.notify_all()

    def statuses(self) -> list[SourceStatus]:
        told = [e for e in self.events if isinstance(e, SourceStatus)]
        return [b for a, b in zip([None, *told], told, strict=False) if _differs(a, b)]

    def sent_between(self, start_ms: int, end_ms: int) -> list[str]:
        return [text for t_ms, text in self.sent if start_ms < t_ms < end_ms]


def _differs(before: SourceStatus | None, after: SourceStatus) -> bool:
    """Counters are told now and then without a change of state."""
    return before is None or (before.state, before.reason) != (after.state, after.reason)


@pytest.fixture(scope="module")
def recorded() -> Recorded:
    clock = LogClock(wall_ms() - boottime_ms(), RATE)
    roads = key_cycles()
    spec = CarSpec(individual(Make(), 3), 3, start_ms=clock.now_ms(), coolant_c=80.0)
    car = LiveCar(spec, lambda: next(roads))
    found = Recorded(pids=frozenset().union(*(unit.pids for unit in car.units)))

    def tap(way: str, line: bytes) -> None:
        if way == "sent":
            found.sent.append((clock.now_ms(), line.decode("ascii").rstrip("\r")))

    def slept() -> int:
        return sum(status.state is SourceState.KEY_OFF for status in found.statuses())

    with EmulatedAdapter(car, clock, latency_s=0.002, reset_s=0.05) as adapter:
        source, stop = SerialSource(adapter.port, clock, tap=tap), threading.Event()
        thread = threading.Thread(target=source.run, args=(found.hear, stop), daemon=True)
        thread.start()
        deadline = Deadline(PATIENCE_S)
        with found.changed:
            while slept() < CYCLES and not deadline.passed():
                found.changed.wait(1.0)
        stop.set()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()
        found.heard_by_adapter = list(adapter.tap)
    assert slept() >= CYCLES, found.statuses()
    return found


# ---------------------------------------------------------------- the tap


def test_every_distinct_request_is_on_the_list(recorded: Recorded) -> None:
    lines = {text for _, text in recorded.sent}
    settings = {line for line in lines if line == "" or line.startswith("AT")}
    current = {line for line in lines if line.startswith("01")}
    frozen = {line for line in lines if line.startswith("02") and line not in QUESTIONS}
    others = lines - settings - current - frozen
    assert settings <= SETTINGS.keys(), settings - SETTINGS.keys()
    assert ALWAYS <= others <= QUESTIONS.keys(), others ^ ALWAYS
    assert {p for line in frozen for p in bytes.fromhex(line)[1::2]} <= FROZEN
    assert all(set(bytes.fromhex(line)[2::2]) == {0} for line in frozen)  # frame 0 alone
    asked = {pid for line in current for pid in bytes.fromhex(line[: len(line) // 2 * 2])[1:]}
    assert asked <= PARAMETERS.keys(), [f"{pid:02X}" for pid in asked - PARAMETERS.keys()]
    known = recorded.pids & PARAMETERS.keys()
    assert known <= asked, [f"{pid:02X}" for pid in known - asked]
    assert any(line.startswith("012C2D0C0B1011") for line in current)


def test_both_ends_of_the_wire_tell_the_same(recorded: Recorded) -> None:
    ours = [text for _, text in recorded.sent]
    assert [text for _, text in recorded.heard_by_adapter] == ours[: len(recorded.heard_by_adapter)]
    assert len(ours) - len(recorded.heard_by_adapter) <= 1


# ---------------------------------------------------------------- asleep and awake


def test_each_sleep_is_told_with_its_reason_and_ended_by_what_was_seen(recorded: Recorded) -> None:
    told = recorded.statuses()
    for before, sleep, after in zip(told, told[1:], told[2:], strict=False):
        if sleep.state is SourceState.KEY_OFF:
            assert before.state is SourceState.READING
            assert sleep.reason.startswith(
                ("no control unit answers, 12", "ignition line went off")
            )
            assert after.state is SourceState.CONNECTING
            assert after.reason.startswith(("charging at", "voltage rose", "ignition line went on"))


def test_nothing_reaches_the_car_while_it_sleeps(recorded: Recorded) -> None:
    sleeps = [
        (sleep.t_ms, after.t_ms)
        for sleep, after in pairwise(recorded.statuses())
        if sleep.state is SourceState.KEY_OFF
    ]
    assert len(sleeps) >= CYCLES - 1
    for start_ms, end_ms in sleeps:
        said = recorded.sent_between(start_ms, end_ms)
        assert set(said) <= ASLEEP and said.count("ATRV") >= 2
        assert end_ms - start_ms > 1000 * ASLEEP_S / 2


def test_asking_stops_at_once_when_the_key_goes_off(recorded: Recorded) -> None:
    sleeps = [s.t_ms for s in recorded.statuses() if s.state is SourceState.KEY_OFF]
    for sleep_ms in sleeps:
        last_ms = max(
            e.t_ms
            for e in recorded.events
            if isinstance(e, Reading) and e.unit == "7E8" and e.t_ms <= sleep_ms
        )
        asked = [text for text in recorded.sent_between(last_ms, sleep_ms) if text[:2] != "AT"]
        assert len(asked) <= 8, asked  # three in vain, and what was on its way


def test_a_stall_is_no_key_off_and_brings_a_last_look(recorded: Recorded) -> None:
    """The engine stops with the key on and starts again: readings go on, codes are read at once."""
    speeds = [
        (e.t_ms, sample.raw)
        for e in recorded.events
        if isinstance(e, Reading)
        for sample in e.samples
        if sample.channel == "rpm"
    ]
    stalls = [t_ms for (_, before), (t_ms, now) in pairwise(speeds) if before > 0 and now == 0]
    assert stalls
    looks = [e.t_ms for e in recorded.events if isinstance(e, CodesRead)]
    off = [s.t_ms for s in recorded.statuses() if s.state is SourceState.KEY_OFF]
    for stall_ms in stalls[: CYCLES - 1]:
        assert any(stall_ms <= look <= stall_ms + 10_000 for look in looks)
        assert not any(stall_ms <= t_ms <= stall_ms + 1000 * STALLED_S for t_ms in off)
