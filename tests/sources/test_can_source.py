"""The CAN source from opening to key-off and back: states, dialects, patience, silence."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace

import can
import pytest

from can_rig import (
    BITMAPS,
    STOPPED,
    VALUES,
    Reply,
    Run,
    ScriptedCar,
    TellingCar,
    current,
    engine,
    run_on,
    settings,
    virtual,
)
from sootsayer.clock import LogClock
from sootsayer.demo.bus import BusCar
from sootsayer.model import CodeSeen, CodesRead, CodeStatus, Identity, SootsayerError, SourceState
from sootsayer.sources import can_source
from sootsayer.sources.adapter_settings import serial_settings
from sootsayer.sources.can_opening import Interface
from sootsayer.sources.can_resting import Lines
from sootsayer.sources.can_source import CanSource


def uds_engine(unit: int, request: bytes) -> Reply:
    """A car that only knows J1979-2."""
    if request[0] == 0x22 and request[1] == 0xF4:
        plain = current(b"\x01" + request[2::2])
        if plain is None:
            return None
        body, at = b"", 1
        while at < len(plain):
            size = len(bytes.fromhex((VALUES | BITMAPS)[plain[at]]))
            body += b"\xf4" + plain[at : at + 1 + size]
            at += 1 + size
        return b"\x62" + body
    if request[:4] == bytes.fromhex("19423308"):
        return bytes.fromhex("5942335CFE04" + "0204011C08")
    if request == bytes.fromhex("22F802"):
        return b"\x62\xf8\x02SXXTSAYERDEMX2401"
    if request == bytes.fromhex("22F800"):
        return bytes.fromhex("62F80040000000")
    return None


# ---------------------------------------------------------------- dialects


@pytest.mark.parametrize(
    ("name", "unit", "extended", "answer", "words"),
    [
        ("11", 0x7E8, False, engine, "11-bit"),
        ("29", 0x18DAF110, True, engine, "29-bit"),
        ("uds11", 0x7E8, False, uds_engine, "11-bit addresses, J1979-2"),
        ("uds29", 0x18DAF110, True, uds_engine, "29-bit addresses, J1979-2"),
    ],
)
def test_each_way_a_car_may_be_spoken_to(
    name: str, unit: int, extended: bool, answer: Callable[[int, bytes], Reply], words: str
) -> None:
    with (
        ScriptedCar(name, answer, (unit,), extended) as car,
        run_on(name, settings=settings(late_s=0.1)) as run,
    ):
        run.wait_state(SourceState.READING, words)
        readings = run.wait_readings(5)
    seen = {sample.channel: sample.raw for r in readings for sample in r.samples}
    assert seen["rpm"] == 0x1AF8 and seen["egr_pct"] == 0x40 and seen["ect"] == 0x7B
    assert {reading.unit for reading in readings} == {f"{unit:X}"}
    functional = 0x18DB33F1 if extended else 0x7DF
    physical = 0x18DA10F1 if extended else 0x7E0
    assert {address for address, _ in car.heard} <= {functional, physical}
    flows = {address for address, content in car.heard if content[0] >> 4 == 3}
    assert flows == {physical}


def test_codes_of_j1979_2_keep_their_failure_type() -> None:
    with (
        ScriptedCar("udscodes", uds_engine) as car,
        run_on("udscodes", settings=settings(late_s=0.1)) as run,
    ):
        run.wait(lambda es: any(isinstance(e, Identity) and e.key == "vin" for e in es))
        run.wait(lambda es: any(isinstance(e, CodeSeen) for e in es))
    codes = [e for e in run.events if isinstance(e, CodeSeen)]
    assert {(c.code, c.status) for c in codes} == {("P0401", CodeStatus.CONFIRMED)}
    kept = [e for e in run.events if isinstance(e, Identity) and e.key.startswith("failure")]
    assert (kept[0].key, kept[0].value) == ("failure type P0401", "1C")
    assert all(r[0] in (0x01, 0x22, 0x19) for r in car.requests())


# ---------------------------------------------------------------- patience


def test_pending_is_waited_for_and_busy_is_asked_again() -> None:
    asked: dict[bytes, int] = {}

    def answer(unit: int, request: bytes) -> Reply:
        asked[request] = asked.get(request, 0) + 1
        if request == b"\x03":
            return b"\x7f\x03\x21" if asked[request] < 3 else bytes.fromhex("43010401")
        if request == b"\x07":
            return [b"\x7f\x07\x78", b"\x7f\x07\x78", bytes.fromhex("47010171")]
        return engine(unit, request)

    with (
        ScriptedCar("pending", answer) as car,
        run_on("pending", settings=settings(busy_pause_s=0.02)) as run,
    ):
        run.wait(lambda es: sum(isinstance(e, CodeSeen) for e in es) == 2)
    codes = {(e.code, e.status) for e in run.events if isinstance(e, CodeSeen)}
    assert codes == {("P0401", CodeStatus.CONFIRMED), ("P0171", CodeStatus.PENDING)}
    counters = run.counters()
    assert (counters["refused: busy"], counters["refused: answer pending"]) == (2, 2)
    again = [address for address, content in car.heard if content[:2] == b"\x01\x03"]
    assert again == [0x7DF, 0x7E0, 0x7E0], "only the busy unit is asked again"


def test_an_answer_that_stays_pending_is_given_up() -> None:
    def answer(unit: int, request: bytes) -> Reply:
        return b"\x7f\x07\x78" if request == b"\x07" else engine(unit, request)

    with (
        ScriptedCar("forever", answer),
        run_on("forever", settings=settings(pending_s=0.1)) as run,
    ):
        run.wait(lambda es: any(isinstance(e, CodesRead) for e in es))
    assert not any(isinstance(e, CodesRead) and e.status is CodeStatus.PENDING for e in run.events)


# ---------------------------------------------------------------- troubles of the interface


def test_a_missing_interface_is_waited_for() -> None:
    there = threading.Event()

    def open_bus(rate: int | None, listen_only: bool) -> can.BusABC:
        if not there.is_set():
            raise OSError(19, "No such device")
        return virtual("plugged")

    source = CanSource("plugged", Interface("can9", open_bus), LogClock(0), settings())
    with ScriptedCar("plugged", engine), Run(source) as run:
        told = run.wait_state(SourceState.UNPLUGGED)
        assert "can9" in told.reason
        there.set()
        run.wait_readings(3)
    assert run.states().count(SourceState.UNPLUGGED) == 1, "told once, not at each attempt"


def test_an_unknown_kind_of_interface_is_a_clear_error() -> None:
    with pytest.raises(SootsayerError, match="'pigeon' is unknown; use socketcan"):
        CanSource("can0", "pigeon", LogClock(0))


class RefusingBus(can.BusABC):
    """Refuses to send as Linux does when nobody acknowledges."""

    def __init__(self, bus: can.BusABC, number: int) -> None:
        super().__init__(channel="refusing")
        self._bus = bus
        self.number = number
        self.tries = 0

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        self.tries += 1
        if self.number:
            raise can.CanOperationError("refused", self.number)
        self._bus.send(msg, timeout)

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        return self._bus.recv(0), True

    def shutdown(self) -> None:
        super().shutdown()
        self._bus.shutdown()


def test_a_full_queue_ends_sending_at_once_and_traffic_begins_it_again() -> None:
    buses: list[RefusingBus] = []

    def refusing(bus: can.BusABC) -> can.BusABC:
        buses.append(RefusingBus(bus, 105))  # ENOBUFS
        return buses[-1]

    with (
        ScriptedCar("full", engine) as car,
        run_on("full", refusing, settings=settings(blind_pauses_s=())) as run,
    ):
        told = run.wait_state(SourceState.KEY_OFF)
        assert "no node acknowledges" in told.reason
        assert buses[0].tries == 1, "one refusal is enough"
        buses[0].number = 0
        car.send(0x123, b"\x01")  # somebody wakes the bus
        run.wait_readings(3)
    assert run.counters()["queue full"] == 1


def test_bus_off_is_a_state_and_is_recovered_from() -> None:
    with (
        ScriptedCar("busoff", engine) as car,
        run_on("busoff") as run,
    ):
        run.wait_readings(3)
        car.send_error(0x040, bytes(8))  # linux/can/error.h: CAN_ERR_BUSOFF
        run.wait_state(SourceState.SILENT, "bus-off")
        before = len(run.readings())
        run.wait_readings(before + 3)
    assert run.counters()["bus off"] == 1


def test_error_passive_is_counted_and_reading_goes_on() -> None:
    with ScriptedCar("passive", engine) as car, run_on("passive") as run:
        run.wait_readings(3)
        car.send_error(0x004, bytes((0, 0x20, 0, 0, 0, 0, 0, 0)))  # CAN_ERR_CRTL_TX_PASSIVE
        run.wait_readings(len(run.readings()) + 5)
    assert run.counters()["passive"] == 1
    assert SourceState.SILENT not in run.states()


def test_unacknowledged_frames_put_the_source_to_rest() -> None:
    with ScriptedCar("unheard", lambda unit, request: None) as car:
        with run_on("unheard", settings=settings(blind_pauses_s=())) as run:
            for _ in range(16):
                car.send_error(0x020, bytes(8))  # CAN_ERR_ACK
            told = run.wait_state(SourceState.KEY_OFF)
            sent = len(car.heard)
        assert "acknowledges" in told.reason or "silent" in told.reason
        assert len(car.heard) <= sent + 1


# ---------------------------------------------------------------- key off


def quick(**changes: object) -> object:
    return settings(**{"quiet_s": 0.2, "late_s": 0.1, "look_s": 0.02} | changes)


def test_silence_ends_sending_and_only_new_traffic_begins_it_again() -> None:
    silent = threading.Event()

    def answer(unit: int, request: bytes) -> Reply:
        return None if silent.is_set() else engine(unit, request)

    with (
        ScriptedCar("sleep", answer) as car,
        run_on("sleep", settings=quick(blind_pauses_s=())) as run,
    ):
        car.send(0x1A0, b"\x00")  # the car has traffic of its own
        run.wait_readings(3)
        silent.set()
        told = run.wait_state(SourceState.KEY_OFF)
        assert "no control unit answers and the bus is silent" in told.reason
        heard = len(car.heard)
        assert not car.hears_more(heard, within_s=0.8), "nothing is sent while the car sleeps"
        silent.clear()
        car.send(0x1A0, b"\x01")
        run.wait_state(SourceState.CONNECTING, "the bus talks again")
        run.wait_readings(len(run.readings()) + 3)


def test_the_ignition_line_stops_and_starts_at_once() -> None:
    on = threading.Event()
    on.set()
    lines = Lines(ignition=on.is_set)
    with (
        ScriptedCar("ignition", engine) as car,
        run_on("ignition", settings=quick(), lines=lines) as run,
    ):
        run.wait_readings(3)
        on.clear()
        run.wait_state(SourceState.KEY_OFF, "the ignition line is off")
        heard = len(car.heard)
        assert not car.hears_more(heard, within_s=0.4)
        on.set()
        run.wait_state(SourceState.CONNECTING, "the ignition line is on")
        run.wait_readings(len(run.readings()) + 3)


def test_a_rising_voltage_ends_the_rest() -> None:
    volts = [12.4]
    awake = threading.Event()

    def answer(unit: int, request: bytes) -> Reply:
        return engine(unit, request) if awake.is_set() else None

    with (
        ScriptedCar("volts", answer) as car,
        run_on("volts", settings=quick(), lines=Lines(volts=lambda: volts[0])) as run,
    ):
        run.wait_state(SourceState.KEY_OFF)
        asked = len(car.heard)
        awake.set()
        volts[0] = 14.0
        run.wait_state(SourceState.CONNECTING, "charging at 14.0 V")
        run.wait(lambda es: any(getattr(e, "unit", "") == "7E8" for e in es))
    assert len(car.heard) > asked


def test_a_bus_that_never_talks_is_asked_seldom() -> None:
    awake = threading.Event()

    def answer(unit: int, request: bytes) -> Reply:
        return engine(unit, request) if awake.is_set() else None

    with (
        ScriptedCar("blind", answer) as car,
        run_on("blind", settings=quick(blind_pauses_s=(0.05, 0.4))) as run,
    ):
        run.wait_state(SourceState.KEY_OFF)
        first = len(car.heard)
        assert car.hears_more(first + 1), "each dialect is asked once"
        awake.set()
        run.wait_state(SourceState.CONNECTING, "asking once")
        run.wait_readings(3)


def test_a_standing_engine_on_a_talking_bus_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    running = threading.Event()

    def answer(unit: int, request: bytes) -> Reply:
        if request[0] == 0x01:
            return current(request, VALUES if running.is_set() else STOPPED)
        return engine(unit, request)

    hasty = replace(serial_settings(), engine_stopped_s=0.3)
    monkeypatch.setattr(can_source, "serial_settings", lambda: hasty)
    talking = threading.Event()

    def talk(car: ScriptedCar) -> None:
        while not talking.wait(0.02):
            car.send(0x1A0, b"\x00")

    with (
        ScriptedCar("standing", answer) as car,
        run_on("standing", settings=quick(awake_pauses_s=(0.3,), quiet_s=10.0)) as run,
        ExitStack() as things,
    ):
        talker = threading.Thread(target=talk, args=(car,), daemon=True)
        talker.start()
        things.callback(talker.join)
        things.callback(talking.set)
        told = run.wait_state(SourceState.KEY_OFF)
        assert "engine stopped" in told.reason and "12.5 V" in told.reason
        asked, heard = len(car.requests()), len(car.heard)
        assert car.hears_more(heard + 1)
        looks = car.requests()[asked:]
        assert looks and set(looks) == {b"\x01\x0c"}, "one small question at a time"
        running.set()
        run.wait_state(SourceState.CONNECTING, "looking whether the engine runs")
        run.wait_state(SourceState.READING)


def test_a_new_control_unit_is_taken_in() -> None:
    late = threading.Event()

    def answer(unit: int, request: bytes) -> Reply:
        if unit == 0x7E9:
            return current(request) if late.is_set() and request[0] == 1 else None
        return engine(unit, request)

    with (
        ScriptedCar("second", answer, (0x7E9, 0x7E8)),
        run_on("second", settings=quick()) as run,
    ):
        run.wait_readings(5)
        late.set()
        run.wait(lambda es: any(getattr(e, "unit", "") == "7E9" for e in es))
        run.wait_readings(len(run.readings()) + 5)
    assert {r.unit for r in run.readings()} == {"7E8", "7E9"}
    plain = {s.channel for r in run.readings() if r.unit == "7E8" for s in r.samples}
    assert "rpm" in plain and not any("@" in name for name in plain)


def test_it_ends_when_asked_to_even_while_nobody_answers() -> None:
    bus = virtual("nobody")
    with run_on("nobody") as run:
        run.wait_state(SourceState.CONNECTING)
    bus.shutdown()


def test_the_demo_car_over_the_bus_is_read_like_any_other() -> None:
    bus = virtual("demo")
    with BusCar(TellingCar(2), LogClock(0), bus) as car, run_on("demo") as run:
        run.wait(lambda es: any(isinstance(e, Identity) and e.key == "vin" for e in es))
        run.wait_readings(10)
    services = {request[0] for _, _, request in car.tap}
    assert services <= {0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A}
    bus.shutdown()
