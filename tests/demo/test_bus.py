"""The control units on a python-can bus, questioned through can-isotp."""

from __future__ import annotations

from collections.abc import Iterator

import can
import isotp
import pytest

from demo_values import MOMENT, ParkedCar
from sootsayer.clock import Deadline, LogClock
from sootsayer.demo.bus import BusCar
from sootsayer.demo.control_unit import ENGINE, GEARBOX, VIN

WITHIN_S = 5.0


@pytest.fixture
def tester() -> Iterator[tuple[can.BusABC, BusCar]]:
    with (
        can.Bus(interface="virtual", channel="demo-bus") as own,
        can.Bus(interface="virtual", channel="demo-bus") as cars,
        BusCar(ParkedCar(), LogClock(0), cars) as car,
    ):
        yield own, car


def send(bus: can.BusABC, address: int, content: str) -> None:
    frame = bytes.fromhex(content).ljust(8, b"\x55")
    bus.send(can.Message(arbitration_id=address, data=frame, is_extended_id=False))


def replies(bus: can.BusABC, count: int) -> list[tuple[int, bytes]]:
    """Whole replies by address, put together by can-isotp, which sends the flow control."""
    layers = {
        address: isotp.TransportLayerLogic(
            rxfn=lambda timeout: None,
            txfn=lambda m: send(bus, m.arbitration_id, m.data.hex()),
            address=isotp.Address(
                isotp.AddressingMode.Normal_11bits, txid=address - 8, rxid=address
            ),
            params={"blocksize": 0, "stmin": 0, "tx_padding": 0x55},
        )
        for address in (ENGINE, GEARBOX)
    }
    found: list[tuple[int, bytes]] = []
    deadline = Deadline(WITHIN_S)
    while len(found) < count and not deadline.passed():
        message = bus.recv(0)
        if message is None or message.arbitration_id not in layers:
            continue
        frame = isotp.CanMessage(
            arbitration_id=message.arbitration_id, data=message.data, dlc=message.dlc
        )
        layer = layers[message.arbitration_id]
        once = [frame]
        layer.rxfn = lambda timeout, once=once: once.pop() if once else None
        layer.process()
        if (payload := layer.recv()) is not None:
            found.append((message.arbitration_id, bytes(payload)))
    return found


def test_both_units_answer_a_functional_request(tester: tuple[can.BusABC, BusCar]) -> None:
    bus, car = tester
    send(bus, 0x7DF, "02010D")
    speed = MOMENT.raw["vss"]
    assert sorted(replies(bus, 2)) == [
        (ENGINE, bytes((0x41, 0x0D, speed))),
        (GEARBOX, bytes((0x41, 0x0D, speed))),
    ]
    assert {request for _, _, request in car.tap} == {b"\x01\x0d"}


def test_long_replies_wait_for_flow_control(tester: tuple[can.BusABC, BusCar]) -> None:
    bus, _ = tester
    send(bus, 0x7E0, "020902")
    assert replies(bus, 1) == [(ENGINE, b"\x49\x02\x01" + VIN.encode())]


def test_blocks_of_one_frame_each(tester: tuple[can.BusABC, BusCar]) -> None:
    bus, _ = tester
    send(bus, 0x7E0, "020902")
    frames = [take(bus)]
    for _ in range(2):
        send(bus, 0x7E0, "300100")
        frames.append(take(bus))
    assert [frame[0] for frame in frames] == [0x10, 0x21, 0x22]


def test_overflow_and_foreign_frames_end_or_change_nothing(
    tester: tuple[can.BusABC, BusCar],
) -> None:
    bus, _ = tester
    send(bus, 0x7E0, "020902")
    assert take(bus)[0] == 0x10
    send(bus, 0x7E0, "320000")  # the tester cannot take it
    send(bus, 0x123, "02010D")
    send(bus, 0x7DF, "0210")
    send(bus, 0x7E0, "020104")
    assert take(bus)[:3] == b"\x03\x41\x04"


def take(bus: can.BusABC) -> bytes:
    deadline = Deadline(WITHIN_S)
    while not deadline.passed():
        message = bus.recv(0)
        if message is not None:
            return bytes(message.data)
    raise AssertionError("no frame came")
