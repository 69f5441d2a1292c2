"""Another tester's talk is read, and not a frame of ours is on the bus."""

from __future__ import annotations

import threading
from dataclasses import replace

import can
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from can_rig import Run, TellingCar, engine, held, run_on, settings, virtual
from sootsayer.clock import LogClock
from sootsayer.demo.bus import BusCar
from sootsayer.demo.control_unit import VIN
from sootsayer.demo.framing import frames
from sootsayer.model import CodeSeen, Identity, Reading, SourceEvent, SourceState
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.sources.can_allow import single_frame
from sootsayer.sources.can_listening import Listener
from sootsayer.sources.can_opening import Interface
from sootsayer.sources.can_source import CanSource


class RecordingBus(can.BusABC):
    """Lets everything through, and remembers what was sent."""

    def __init__(self, bus: can.BusABC, sent: list[can.Message]) -> None:
        super().__init__(channel="recording")
        self._bus, self._sent = bus, sent

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        self._sent.append(msg)
        self._bus.send(msg, timeout)

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        return self._bus.recv(0), True

    def shutdown(self) -> None:
        super().shutdown()
        self._bus.shutdown()


def test_our_own_source_is_listened_to_by_another() -> None:
    """One source asks the demo car, the other listens: both read the same figures."""
    sent: list[can.Message] = []
    car_bus = virtual("talk")
    silent = run_on("talk", lambda bus: RecordingBus(bus, sent), listen_only=True)
    with BusCar(TellingCar(2), LogClock(0), car_bus), silent as listener:
        listener.wait_state(SourceState.SILENT, "listening")
        with run_on("talk") as asker:
            asker.wait(lambda es: any(isinstance(e, Identity) and e.key == "vin" for e in es))
            asker.wait_readings(20)
            listener.wait_state(SourceState.READING, "another tester, 2 control units")
            listener.wait(lambda es: any(isinstance(e, Identity) and e.key == "vin" for e in es))
            listener.wait_readings(20)
    car_bus.shutdown()
    assert sent == [], "not one frame was sent"
    heard = {(s.channel, s.raw) for r in listener.readings() for s in r.samples}
    asked = {(s.channel, s.raw) for r in asker.readings() for s in r.samples}
    assert asked <= heard
    for reading in listener.readings():
        for sample in reading.samples:
            if sample.channel in ("rpm", "map"):
                assert held(sample.channel, sample.raw, reading.t_ms, 400)
    assert [e.value for e in listener.events if isinstance(e, Identity) and e.key == "vin"] == [VIN]


def talk(listener: Listener, *lines: str) -> list[SourceEvent]:
    """``7DF 02010C`` and so on, a frame every 10 ms."""
    events: list[SourceEvent] = []
    for number, line in enumerate(lines):
        address, content = line.split()
        extended = len(address) == 8
        events += listener.feed(
            10 * number, int(address, 16), extended, bytes.fromhex(content).ljust(8, b"\xaa")
        )
    return events


def raws(events: list[SourceEvent]) -> dict[str, int]:
    return {s.channel: s.raw for e in events if isinstance(e, Reading) for s in e.samples}


def test_request_and_reply() -> None:
    listener = Listener(ReplyDecoder())
    assert raws(talk(listener, "7DF 02010C", "7E8 04410C1AF8")) == {"rpm": 0x1AF8}
    assert listener.counters["requests of another tester"] == 1


def test_a_reply_to_something_else_is_passed_over() -> None:
    listener = Listener(ReplyDecoder())
    assert talk(listener, "7DF 02010D", "7E8 04410C1AF8") == []
    assert listener.counters["reply that fits no request"] == 1


def test_where_no_question_is_heard_a_whole_reply_must_do() -> None:
    assert raws(talk(Listener(ReplyDecoder()), "7E8 04410C1AF8")) == {"rpm": 0x1AF8}
    assert talk(Listener(ReplyDecoder()), "7E8 03410C1A") == []


def test_long_replies_of_two_units_interleaved_with_29_bits() -> None:
    events = talk(
        Listener(ReplyDecoder()),
        "18DB33F1 07012C2D0C0B1011",
        "18DAF110 100F412C402D800C",
        "18DAF118 03410B2D",
        "18DA10F1 300000",
        "18DAF110 211AF80B5A1001F4",
        "18DAF110 221155",
        "18DAF118 03410B2D",
    )
    assert raws(events) == {
        "map": 0x5A, "map@18DAF118": 0x2D, "egr_pct": 0x40, "egr_err": 0x80, "rpm": 0x1AF8,
        "maf": 0x01F4, "tp": 0x55,
    }  # fmt: skip


def test_a_tester_that_speaks_j1979_2() -> None:
    events = talk(
        Listener(ReplyDecoder()),
        "7DF 0322F40C",
        "7E8 0562F40C1AF8",
        "7DF 05194233081E",
        "7E8 100B5942335CFE04",
        "7E0 300000",
        "7E8 210204011C08",
    )
    assert raws(events) == {"rpm": 0x1AF8}
    assert [e.code for e in events if isinstance(e, CodeSeen)] == ["P0401"]
    assert [e.value for e in events if isinstance(e, Identity) and "failure" in e.key] == ["1C"]


def test_other_services_of_a_workshop_tester_give_nothing() -> None:
    listener = Listener(ReplyDecoder())
    assert (
        talk(listener, "7E0 021003", "7E8 065003003201F4", "7E0 0322F190", "7E8 0462F19041") == []
    )
    assert listener.counters["reply that fits no request"] == 2


FRAMES = st.tuples(
    st.one_of(
        st.sampled_from([0x7DF, 0x7E0, 0x7E8, 0x7E9, 0x18DAF110]), st.integers(0, 0x1FFFFFFF)
    ),
    st.booleans(),
    st.one_of(
        st.binary(max_size=8),
        st.sampled_from([single_frame(b"\x01\x0c"), b"\x04\x41\x0c\x1a\xf8\x00\x00\x00"]),
    ),
)


@hypothesis_settings(max_examples=80)
@given(st.lists(FRAMES, max_size=30))
def test_any_frames_without_an_exception(heard: list[tuple[int, bool, bytes]]) -> None:
    listener = Listener(ReplyDecoder())
    for number, (address, extended, content) in enumerate(heard):
        listener.feed(number, address, extended, content)
    assert len(listener._heard) <= 16, "no growth"


@hypothesis_settings(max_examples=15)
@given(st.lists(FRAMES, min_size=1, max_size=40))
def test_any_frames_while_asking_without_an_exception(
    heard: list[tuple[int, bool, bytes]],
) -> None:
    """The whole source, on a bus of nonsense."""
    nonsense, queue = list(heard), list[tuple[int, bool, bytes]]()
    done = threading.Event()

    class Noise(can.BusABC):
        def __init__(self) -> None:
            super().__init__(channel="noise")

        def send(self, msg: can.Message, timeout: float | None = None) -> None:
            """Each request brings a proper answer now and then, and three frames of nonsense."""
            if msg.data[1:3] == b"\x01\x00":
                answer = engine(0x7E8, b"\x01\x00")
                assert isinstance(answer, bytes)
                queue.append((0x7E8, False, frames(answer)[0]))
            queue.extend(nonsense[:3])
            del nonsense[:3]
            if not nonsense:
                done.set()

        def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
            if not queue:
                return None, True
            address, extended, content = queue.pop(0)
            address = address if extended else address & 0x7FF
            return can.Message(arbitration_id=address, is_extended_id=extended, data=content), True

    changes = replace(settings(), late_s=0.02, reply_s=0.02, awake_pauses_s=(0.02,))
    made = Interface("noise", lambda rate, listen_only: Noise())
    with Run(CanSource("noise", made, LogClock(0), changes)) as run:
        assert done.wait(10.0), run.failed
