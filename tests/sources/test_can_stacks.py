"""Receivers of long replies: flow control goes to the unit itself; any frames are borne."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import can
import isotp
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from can_rig import virtual
from sootsayer.demo.framing import frames
from sootsayer.sources.can_allow import ReadOnlyBus
from sootsayer.sources.can_stacks import MAX_STACKS, IsoTpStack, Stack, Stacks


class Bench:
    def __init__(self, name: str, extended: bool = False) -> None:
        self.other, inner = virtual(name), virtual(name)
        self.bus = ReadOnlyBus(inner)
        self.counters: Counter[str] = Counter()
        self.extended = extended
        self.stacks = Stacks(self._make, self.counters)

    def _make(self, address: int, extended: bool) -> Stack:
        return IsoTpStack(self.bus, address, extended, 200, self.counters)

    def hear(self, address: int, content: bytes) -> list[bytes]:
        self.other.send(
            can.Message(arbitration_id=address, data=content, is_extended_id=self.extended)
        )
        message = self.bus.receive()
        assert message is not None
        return self.stacks.feed(message)

    def flows(self) -> list[tuple[int, str]]:
        found = []
        while (message := self.other.recv(0)) is not None:
            found.append((message.arbitration_id, bytes(message.data).hex()))
        return found

    def close(self) -> None:
        self.stacks.close()
        self.bus.close()
        self.other.shutdown()


@pytest.fixture
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    made = Bench(request.node.name)
    yield made
    made.close()


def test_two_units_interleaved(bench: Bench) -> None:
    one, two = bytes(range(20)), bytes(range(100, 130))
    got: list[bytes] = []
    for first, second in zip(frames(one) + [b""] * 9, frames(two), strict=False):
        if first:
            got += bench.hear(0x7E8, first)
        got += bench.hear(0x7E9, second)
    assert sorted(got) == [one, two]
    flow = "3000005555555555"  # block size 0: all at once
    assert bench.flows() == [(0x7E0, flow), (0x7E1, flow)]


def test_with_29_bits_flow_control_goes_to_18DAxxF1() -> None:
    bench = Bench("flow29", extended=True)
    long = bytes(range(12))
    got = [payload for frame in frames(long) for payload in bench.hear(0x18DAF110, frame)]
    assert got == [long]
    assert [address for address, _ in bench.flows()] == [0x18DA10F1]
    bench.close()


def test_can_isotp_as_the_sender_is_understood(bench: Bench) -> None:
    """Frames made by can-isotp's own transmitter."""
    payload, sent = bytes(range(60)), []
    sender = isotp.TransportLayerLogic(
        rxfn=lambda timeout: incoming.pop(0) if incoming else None,
        txfn=lambda message: sent.append(bytes(message.data)),
        address=isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E8, rxid=0x7E0),
        params={"tx_padding": 0xAA},
    )
    incoming: list[isotp.CanMessage] = []
    sender.send(payload)
    sender.process()
    assert bench.hear(0x7E8, sent.pop(0)) == []
    ((address, flow),) = bench.flows()
    incoming.append(isotp.CanMessage(arbitration_id=address, data=bytes.fromhex(flow)))
    sender.process()
    got = [whole for frame in sent for whole in bench.hear(0x7E8, frame)]
    assert got == [payload]


@pytest.mark.parametrize(
    ("order", "fault"),
    [
        ([0, 2, 1], "wrong frame order"),
        ([0, 1, 1, 2], "wrong frame order"),
        ([1, 2], "frame without a beginning"),
        ([0, 2], "wrong frame order"),
    ],
)
def test_frames_out_of_order_give_nothing(bench: Bench, order: list[int], fault: str) -> None:
    cut = frames(bytes(range(20)))
    assert [p for at in order for p in bench.hear(0x7E8, cut[at])] == []
    assert bench.counters[fault] > 0
    assert bench.hear(0x7E8, b"\x02\x41\x00") == [b"\x41\x00"], "and the next reply is read"


def test_too_many_senders_are_counted() -> None:
    bench = Bench("crowd", extended=True)
    for unit in range(MAX_STACKS + 3):
        bench.hear(0x18DAF100 + unit, b"\x01\x43")
    assert bench.counters["too many control units"] == 3
    bench.close()


ADDRESSES = st.sampled_from([0x7E8, 0x7E9, 0x7EF])


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.sampled_from([0x7E8, 0x7E9, 0x7EF]), st.binary(max_size=8)), max_size=25)
)
def test_any_frames_without_an_exception_and_only_flow_control_out(
    heard: list[tuple[int, bytes]],
) -> None:
    bench = Bench("fuzz")
    try:
        for address, content in heard:
            for payload in bench.hear(address, content):
                assert 0 < len(payload) <= 4095
        for address, flow in bench.flows():
            assert 0x7E0 <= address <= 0x7E7 and flow[:2] in ("30", "32")
    finally:
        bench.close()
