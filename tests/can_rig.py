"""Cars on a bus for tests: units whose every figure tells when it was true, and a spoilt bus."""

from __future__ import annotations

import random
import threading
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import can

from demo_values import RAW
from sootsayer.clock import Deadline, LogClock
from sootsayer.demo.build import Make
from sootsayer.demo.control_unit import ENGINE, ControlUnit, Moment, control_units
from sootsayer.demo.framing import frames, single
from sootsayer.demo.monitor import Memory
from sootsayer.model import Reading, SourceEvent, SourceState, SourceStatus
from sootsayer.sources.can_opening import Interface
from sootsayer.sources.can_settings import CanSettings, can_settings
from sootsayer.sources.can_source import CanSource

PATIENCE_S = 60.0  # an upper bound: a busy machine only takes longer
WRONG_BITS = 0x008  # class of an error frame: a violated protocol, as a wrong checksum is
WORDS = {"rpm": 20, "maf": 20, "runtm": 20}  # channel → log ms in which its count grows by one
BYTES = {"map": 100, "tp": 100, "load_pct": 100, "egr_pct": 100, "egr_err": 100}


def told_time(channel: str, t_ms: int) -> int:
    """The raw figure that stands for this log time."""
    if channel in WORDS:
        return t_ms // WORDS[channel] % 65536
    return t_ms // BYTES[channel] % 256


def held(channel: str, raw: int, t_ms: int, within_ms: int) -> bool:
    """Whether the car held this figure at some time within so much of ``t_ms``."""
    step = WORDS.get(channel) or BYTES[channel]
    times = range(t_ms - within_ms, t_ms + within_ms + step, step)
    return any(told_time(channel, t) == raw for t in times)


class TellingCar:
    """One to four control units. Those that tell the time do so in every figure."""

    cranking = False
    volts = 14.1

    def __init__(self, units: int, memory: Memory | None = None) -> None:
        engine, gearbox = control_units(Make())
        more = [
            ControlUnit(ENGINE + n, frozenset({0x01, 0x04, 0x05, 0x0B, 0x0D}), f"UNIT-{n}")
            for n in (2, 3)
        ]
        self.units: tuple[ControlUnit, ...] = (engine, gearbox, *more)[:units]
        self.key_on = True
        self.memory = memory or Memory()
        self._now_ms = 0

    def advance(self, to_ms: int) -> None:
        self._now_ms = to_ms

    def moment(self) -> Moment:
        told = {name: told_time(name, self._now_ms) for name in (*WORDS, *BYTES)}
        return Moment(dict(RAW) | told, self.memory)


# ---------------------------------------------------------------- a bus that spoils


@dataclass(frozen=True, slots=True)
class Spoil:
    """Shares of reply frames that are lost, late, doubled, swapped with the next, garbled."""

    lost: float = 0.0
    late: float = 0.0
    doubled: float = 0.0
    swapped: float = 0.0
    garbled: float = 0.0
    late_s: float = 0.2


class SpoiltBus(can.BusABC):
    """Spoils what comes in from ``bus``. Figures stay as they are: CAN's checksum guards bits,
    not frames. A frame with a wrong bit never gets through a controller; in its place there is an
    error frame. What a faulty unit or gateway sends is whole on the wire and wrong in itself:
    lengths, kinds of frame, services and parameter numbers."""

    def __init__(self, bus: can.BusABC, spoil: Spoil, seed: int) -> None:
        super().__init__(channel="spoilt")
        self._bus = bus
        self._spoil = spoil
        self._draw = random.Random(seed)
        self._held: list[tuple[Deadline, can.Message]] = []
        self._ready: list[can.Message] = []
        self._swap: tuple[Deadline, can.Message] | None = None
        self.spoilt: Counter[str] = Counter()

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        self._bus.send(msg, timeout)

    def shutdown(self) -> None:
        super().shutdown()
        self._bus.shutdown()

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        while (message := self._bus.recv(0)) is not None:
            self._come(message)
        for one in [one for one in self._held if one[0].passed()]:
            self._held.remove(one)
            self._ready.append(one[1])
        if self._swap is not None and self._swap[0].passed():
            self._ready.append(self._swap[1])
            self._swap = None
        return (self._ready.pop(0) if self._ready else None), True

    def _come(self, message: can.Message) -> None:
        if not 0x7E8 <= message.arbitration_id <= 0x7EF:
            self._ready.append(message)
            return
        spoil, draw = self._spoil, self._draw.random()
        for kind in ("lost", "late", "doubled", "swapped", "garbled"):
            draw -= getattr(spoil, kind)
            if draw < 0:
                self.spoilt[kind] += 1
                self._do(kind, message)
                return
        self._pass(message)

    def _pass(self, message: can.Message) -> None:
        self._ready.append(message)
        if self._swap is not None:
            self._ready.append(self._swap[1])
            self._swap = None

    def _do(self, kind: str, message: can.Message) -> None:
        match kind:
            case "late":
                wait_s = self._draw.uniform(0.01, self._spoil.late_s)
                self._held.append((Deadline(wait_s), message))
            case "doubled":
                self._pass(message)
                self._ready.append(message)
            case "swapped":
                if self._swap is not None:
                    self._ready.append(self._swap[1])
                self._swap = (Deadline(0.05), message)
            case "garbled":
                self._pass(self._garbled(message))

    def _garbled(self, message: can.Message) -> can.Message:
        if self._draw.random() < 0.5:
            return can.Message(arbitration_id=WRONG_BITS, data=bytes(8), is_error_frame=True)
        content = bytearray(message.data)
        kind = content[0] >> 4
        last = {0: 2, 1: 3}.get(kind, 0)  # as far as the first parameter's number
        at = self._draw.randint(0, last)
        if self._draw.random() < 0.3:
            content = content[: self._draw.randint(0, 7)]
        else:
            content[at] ^= self._draw.randint(1, 255)
        return can.Message(
            arbitration_id=message.arbitration_id, is_extended_id=False, data=bytes(content)
        )


def virtual(channel: str) -> can.BusABC:
    return can.Bus(interface="virtual", channel=channel)


def interface(
    channel: str, spoil: Callable[[can.BusABC], can.BusABC] = lambda bus: bus
) -> Interface:
    """A virtual channel, perhaps spoilt."""
    return Interface(channel, lambda rate, listen_only: spoil(virtual(channel)))


# ---------------------------------------------------------------- a scripted car


Reply = bytes | list[bytes] | None


class ScriptedCar:
    """Units that answer from a table or a function; several replies to one request come in turn."""

    def __init__(
        self,
        channel: str,
        answer: Callable[[int, bytes], Reply],
        units: tuple[int, ...] = (0x7E8,),
        extended: bool = False,
    ) -> None:
        self.heard: list[tuple[int, bytes]] = []  # address, whole frame
        self.answer = answer
        self._units = units
        self._extended = extended
        self._bus = virtual(channel)
        self._stop = threading.Event()
        self._rest: dict[int, list[bytes]] = {}
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> ScriptedCar:
        self._thread.start()
        return self

    def __exit__(self, *reason: object) -> None:
        self._stop.set()
        self._thread.join()
        self._bus.shutdown()

    def requests(self) -> list[bytes]:
        return [content[1 : 1 + content[0]] for _, content in self.heard if content[0] < 8]

    def hears_more(self, than: int, within_s: float = PATIENCE_S) -> bool:
        """Whether more frames than so many have come within this time."""
        with self._changed:
            return self._changed.wait_for(lambda: len(self.heard) > than, within_s)

    def _note(self, address: int, content: bytes) -> None:
        with self._changed:
            self.heard.append((address, content))
            self._changed.notify_all()

    def send(self, address: int, content: bytes, extended: bool | None = None) -> None:
        is_extended = self._extended if extended is None else extended
        self._bus.send(
            can.Message(arbitration_id=address, data=content, is_extended_id=is_extended)
        )

    def send_error(self, kind: int, content: bytes) -> None:
        self._bus.send(can.Message(arbitration_id=kind, data=content, is_error_frame=True))

    def _own(self, unit: int) -> int:
        return 0x18DA00F1 | (unit & 0xFF) << 8 if self._extended else unit - 8

    def _run(self) -> None:
        while not self._stop.is_set():
            message = self._bus.recv(0)
            if message is None:
                self._stop.wait(0.001)
            elif message.is_extended_id == self._extended:
                self._receive(message.arbitration_id, bytes(message.data))

    def _receive(self, address: int, content: bytes) -> None:
        for unit in self._units:
            own = self._own(unit)
            if address == own and content[0] >> 4 == 3:
                self._note(address, content)
                for frame in self._rest.pop(unit, []):
                    self.send(unit, frame)
            elif address in (own, 0x18DB33F1 if self._extended else 0x7DF):
                self._note(address, content)
                request = single(content)
                replies = self.answer(unit, request) if request is not None else None
                for payload in replies if isinstance(replies, list) else [replies]:
                    if payload is not None:
                        self.reply(unit, payload)

    def reply(self, unit: int, payload: bytes) -> None:
        """Begin a reply; the rest of a long one waits for flow control."""
        first, *self._rest[unit] = frames(payload)
        self.send(unit, first)


# ---------------------------------------------------------------- an engine from a table

BITMAPS = {0x00: "08180001", 0x20: "00180001", 0x40: "40000000"}  # 05 0C 0D 2C 2D 42
VALUES = {0x05: "7B", 0x0C: "1AF8", 0x0D: "32", 0x2C: "40", 0x2D: "80", 0x42: "36B0"}
STOPPED = VALUES | {0x0C: "0000", 0x0D: "00", 0x42: "30D4"}  # 12.5 V


def current(request: bytes, values: dict[int, str] = VALUES) -> bytes | None:
    table = values | BITMAPS
    given = [pid for pid in request[1:] if pid in table]
    body = b"".join(bytes((pid,)) + bytes.fromhex(table[pid]) for pid in given)
    return b"\x41" + body if body else None


def engine(unit: int, request: bytes) -> Reply:
    if request[0] == 0x01:
        return current(request)
    if request[0] in (0x03, 0x07, 0x0A):
        return bytes((request[0] | 0x40, 0))
    return None


# ---------------------------------------------------------------- running a source


def settings(**changes: object) -> CanSettings:
    """The shipped settings with short pauses."""
    short = replace(
        can_settings(),
        listen_s=0.3,
        late_s=0.15,
        reconnect_pauses_s=(0.02,),
        fault_pauses_s=(0.05,),
    )
    return replace(short, **changes)  # type: ignore[arg-type]


@dataclass
class Run:
    """A source in its thread, and everything it said."""

    source: CanSource
    events: list[SourceEvent] = field(default_factory=list)
    failed: list[BaseException] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._changed = threading.Condition()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Run:
        self._thread.start()
        return self

    def __exit__(self, *reason: object) -> None:
        self._stop.set()
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive(), "the source did not end"
        assert self.failed == []

    def _run(self) -> None:
        try:
            self.source.run(self._emit, self._stop)
        except BaseException as failure:
            with self._changed:
                self.failed.append(failure)
                self._changed.notify_all()

    def _emit(self, event: SourceEvent) -> None:
        with self._changed:
            self.events.append(event)
            self._changed.notify_all()

    def wait(self, condition: Callable[[list[SourceEvent]], bool]) -> None:
        with self._changed:
            met = self._changed.wait_for(lambda: self.failed or condition(self.events), PATIENCE_S)
            assert not self.failed, self.failed
            assert met, self.events[-5:]

    def wait_state(self, state: SourceState, words: str = "") -> SourceStatus:
        self.wait(lambda events: any(_is(event, state, words) for event in events))
        return next(e for e in reversed(self.events) if _is(e, state, words))  # type: ignore[return-value]

    def wait_readings(self, count: int) -> list[Reading]:
        self.wait(lambda events: sum(isinstance(e, Reading) for e in events) >= count)
        return self.readings()

    def readings(self) -> list[Reading]:
        with self._changed:
            return [event for event in self.events if isinstance(event, Reading)]

    def states(self) -> list[SourceState]:
        with self._changed:
            return [event.state for event in self.events if isinstance(event, SourceStatus)]

    def counters(self) -> Mapping[str, int]:
        with self._changed:
            return self.source._counters + self.source._decoder.counters


def _is(event: SourceEvent, state: SourceState, words: str) -> bool:
    return isinstance(event, SourceStatus) and event.state is state and words in event.reason


def run_on(
    channel: str,
    spoil: Callable[[can.BusABC], can.BusABC] = lambda bus: bus,
    **words: object,
) -> Run:
    changes = words.pop("settings", None) or settings()
    source = CanSource(channel, interface(channel, spoil), LogClock(0), changes, **words)  # type: ignore[arg-type]
    return Run(source)
