"""The parts of the dialogue end, whatever the adapter brings. Scripts of it are transcripts."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sootsayer.protocol.dialogue import (
    Capabilities,
    Car,
    NoCar,
    Steps,
    current,
    find_car,
    set_up,
    try_out,
    volts_in,
)
from sootsayer.protocol.exchange import Reply
from sootsayer.protocol.headers import Frame, LinkKind
from sootsayer.protocol.remarks import Remark
from sootsayer.sources.allow import is_request, is_setting

CAR = Car(LinkKind.CAN_11, "6", ("7E8",))
FRAMES = st.builds(Frame, st.sampled_from(["7E8", "7E9"]), st.binary(min_size=1, max_size=20))
REPLIES = st.builds(
    Reply,
    st.just(""),
    st.lists(FRAMES, max_size=3).map(tuple),
    st.lists(st.text(max_size=20), max_size=3).map(tuple),
    st.lists(st.sampled_from(Remark), max_size=3).map(tuple),
    st.just({}),
    st.booleans(),
)


def drive(steps: Steps, replies: list[Reply]) -> object:
    """Send the replies, over and over; every command must be one that may be sent."""
    try:
        command = next(steps)
        for number in range(60):
            assert is_setting(command.text) or is_request(command.text)
            assert 0 < command.wait_s <= 60
            command = steps.send(replies[number % len(replies)])
    except StopIteration as end:
        return end.value
    raise AssertionError("the dialogue does not end")


@given(st.lists(REPLIES, min_size=1, max_size=20))
@settings(max_examples=150, deadline=None)
def test_every_part_ends_on_any_replies(replies: list[Reply]) -> None:
    drive(set_up(), replies)
    found = drive(find_car(), replies)
    assert isinstance(found, Car | NoCar)
    tried = drive(try_out(CAR, "7E8", range(0x60)), replies)
    assert isinstance(tried, Capabilities) and 1 <= tried.max_pids <= 6


def test_a_car_without_steady_values_is_asked_for_one_at_a_time() -> None:
    assert drive(try_out(CAR, "7E8", [0x0C]), [Reply("")]) == Capabilities()


@pytest.mark.parametrize(
    ("pids", "works", "units", "text"),
    [
        ([0x0C], None, 1, "010C"),
        ([0x0C], Capabilities(6, True), 1, "010C1"),
        ([0x0C], Capabilities(6, True), 2, "010C"),
        ([0x0C, 0x0B], Capabilities(6, True), 1, "010C0B"),
        ([0x69], Capabilities(6, True), 1, "0169"),  # does not fit one line
    ],
)
def test_the_count_digit_is_for_one_line_of_one_unit(
    pids: list[int], works: Capabilities | None, units: int, text: str
) -> None:
    assert current(pids, works, units) == text


@pytest.mark.parametrize(
    ("texts", "volts"),
    [
        (("12.6V",), 12.6),
        (("14.2",), 14.2),
        (("noise", "11.9v"), 11.9),
        (("99.9V",), None),
        (("0.0V",), None),
        (("nan",), None),
        ((), None),
    ],
)
def test_voltages(texts: tuple[str, ...], volts: float | None) -> None:
    assert volts_in(Reply("ATRV", texts=texts)) == volts
