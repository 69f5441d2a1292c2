"""Reassembly against can-isotp 2 (its TransportLayerLogic, without a bus)."""

from __future__ import annotations

import isotp
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sootsayer.protocol.isotp import MAX_SENDERS, MAX_WAIT_MS, Fault, Reassembler


def frames_of(message: bytes, padding: int = 0x55) -> list[bytes]:
    """Cut a message into frames as ISO 15765-2 says."""
    if len(message) < 8:
        return [bytes((len(message),)) + message.ljust(7, bytes((padding,)))]
    length = len(message)
    frames = [bytes((0x10 | length >> 8, length & 255)) + message[:6]]
    for index, at in enumerate(range(6, length, 7), start=1):
        piece = message[at : at + 7].ljust(7, bytes((padding,)))
        frames.append(bytes((0x20 | index & 15,)) + piece)
    return frames


def peer_reassembles(frames: list[bytes]) -> list[bytes]:
    """What can-isotp makes of the same frames."""
    waiting = list(frames)
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)

    def receive(timeout: float) -> isotp.CanMessage | None:
        return isotp.CanMessage(arbitration_id=0x7E8, data=waiting.pop(0)) if waiting else None

    layer = isotp.TransportLayerLogic(
        rxfn=receive,
        txfn=lambda message: None,
        address=address,
        error_handler=lambda error: None,
        params={"blocksize": 0, "stmin": 0},
    )
    messages = []
    for _ in range(len(frames) + 2):
        layer.process()
        while layer.available():
            messages.append(bytes(layer.recv()))
    return messages


def ours(frames: list[bytes]) -> list[bytes]:
    reassembler = Reassembler()
    found = (reassembler.feed("7E8", frame) for frame in frames)
    return [message for message in found if message is not None]


MESSAGES = st.binary(min_size=1, max_size=300)


@pytest.mark.parametrize("length", [1, 6, 7, 8, 9, 13, 14, 20, 62, 63, 118, 119, 4094, 4095])
def test_every_length_equals_can_isotp(length: int) -> None:
    message = bytes(index * 7 & 255 for index in range(length))
    frames = frames_of(message)
    assert ours(frames) == peer_reassembles(frames) == [message]


@given(st.lists(MESSAGES, min_size=1, max_size=4), st.integers(0, 255))
@settings(max_examples=60, deadline=None)
def test_whole_messages_equal_can_isotp(messages: list[bytes], padding: int) -> None:
    frames = [frame for message in messages for frame in frames_of(message, padding)]
    assert ours(frames) == peer_reassembles(frames) == messages


@given(st.lists(MESSAGES, min_size=1, max_size=4), st.data())
@settings(max_examples=100, deadline=None)
def test_lost_doubled_and_swapped_frames_equal_can_isotp(
    messages: list[bytes], choice: st.DataObject
) -> None:
    frames = [frame for message in messages for frame in frames_of(message)]
    for _ in range(choice.draw(st.integers(1, 4))):
        at = choice.draw(st.integers(0, len(frames) - 1))
        change = choice.draw(st.sampled_from(["lose", "double", "swap"]))
        if change == "lose" and len(frames) > 1:
            del frames[at]
        elif change == "double":
            frames.insert(at, frames[at])
        else:
            frames[at - 1], frames[at] = frames[at], frames[at - 1]
    assert ours(frames) == peer_reassembles(frames)


def test_interleaved_units_do_not_disturb_each_other() -> None:
    first, second = frames_of(bytes(range(40))), frames_of(bytes(range(100, 150)))
    reassembler = Reassembler()
    found = []
    for one, two in zip(first, second, strict=False):
        found += [reassembler.feed("7E8", one), reassembler.feed("7E9", two)]
    for frame in second[len(first) :]:
        found.append(reassembler.feed("7E9", frame))
    messages = [message for message in found if message is not None]
    assert messages == [bytes(range(40)), bytes(range(100, 150))]
    assert not reassembler.faults


@pytest.mark.parametrize(
    ("frames", "fault"),
    [
        (["00 41 0C"], Fault.BAD_LENGTH),
        (["07 41 0C"], Fault.BAD_LENGTH),
        ([""], Fault.EMPTY_FRAME),
        (["21 01 02 03 04 05 06 07"], Fault.UNEXPECTED),
        (["10 07 41 00 00 00 00 00"], Fault.BAD_LENGTH),
        (["10 14 49 02"], Fault.BAD_LENGTH),
        (["10 14 49 02 01 31 32 33", "22 31 32 33 34 35 36 37"], Fault.BAD_SEQUENCE),
        (["10 14 49 02 01 31 32 33", "21 31"], Fault.BAD_LENGTH),
        (["10 14 49 02 01 31 32 33", "03 41 0D 00 55 55 55 55"], Fault.INTERRUPTED),
        (["F0 00"], Fault.UNKNOWN_FRAME),
    ],
)
def test_every_fault_is_counted_under_its_name(frames: list[str], fault: Fault) -> None:
    reassembler = Reassembler()
    for frame in frames:
        reassembler.feed("7E8", bytes.fromhex(frame))
    assert reassembler.faults == {fault: 1}


def test_flow_control_is_passed_over() -> None:
    reassembler = Reassembler()
    assert reassembler.feed("7E0", bytes.fromhex("300000")) is None
    assert not reassembler.faults


def test_a_message_cut_off_does_not_swallow_a_later_one() -> None:
    frames = frames_of(bytes(range(20)))
    reassembler = Reassembler()
    reassembler.feed("7E8", frames[0], 1_000)
    assert reassembler.feed("7E8", frames[1], 1_001 + MAX_WAIT_MS) is None
    assert reassembler.faults == {Fault.TOO_LATE: 1}


def test_memory_is_bounded_against_noise() -> None:
    reassembler = Reassembler()
    for number in range(MAX_SENDERS + 10):
        reassembler.feed(f"{number:X}", frames_of(bytes(100))[0])
    assert reassembler.faults == {Fault.TOO_MANY_SENDERS: 10}
    reassembler.abandon()
    assert not reassembler.pending("0")


@given(st.lists(st.tuples(st.sampled_from(["7E8", "7E9"]), st.binary(max_size=8)), max_size=60))
def test_no_noise_raises(frames: list[tuple[str, bytes]]) -> None:
    reassembler = Reassembler()
    for sender, frame in frames:
        message = reassembler.feed(sender, frame)
        assert message is None or 1 <= len(message) <= 4095
