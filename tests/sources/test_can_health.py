"""What the interface says becomes a condition. Bits after the kernel's header linux/can/error.h."""

from __future__ import annotations

import errno
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.sources.can_health import UNHEARD_AFTER, BusError, BusHealth, Condition, condition_of


@pytest.mark.parametrize(
    ("kind", "detail", "condition"),
    [
        (0x040, 0x00, Condition.BUS_OFF),
        (0x004, 0x10, Condition.PASSIVE),
        (0x004, 0x20, Condition.PASSIVE),
        (0x004, 0x04, Condition.ACTIVE),  # only a warning
        (0x004, 0x01, Condition.ACTIVE),  # the interface lost frames: counted
        (0x004, 0x02, Condition.QUEUE_FULL),
        (0x008, 0x00, Condition.ACTIVE),  # one protocol violation
        (0x044, 0x20, Condition.BUS_OFF),
    ],
)
def test_one_error_frame(kind: int, detail: int, condition: Condition) -> None:
    health = BusHealth(Counter())
    health.error_frame(kind, bytes((0, detail, 0, 0, 0, 0, 0, 0)))
    assert health.condition is condition


def test_bus_off_ends_with_the_restart() -> None:
    health = BusHealth(counters := Counter())
    health.error_frame(0x040, bytes(8))
    health.error_frame(0x100, bytes(8))
    assert health.condition is Condition.ACTIVE
    assert counters == {"error frame": 2, "bus off": 1}


def test_passive_ends_when_the_controller_says_so() -> None:
    health = BusHealth(Counter())
    health.error_frame(0x004, bytes((0, 0x20)))
    health.error_frame(0x004, bytes((0, 0x40)))
    assert health.condition is Condition.ACTIVE


def test_missing_acknowledgement_counts_only_in_a_row() -> None:
    health = BusHealth(Counter())
    for _ in range(UNHEARD_AFTER - 1):
        health.error_frame(0x020, bytes(8))
    health.heard()
    health.error_frame(0x020, bytes(8))
    assert health.condition is Condition.ACTIVE
    for _ in range(UNHEARD_AFTER):
        health.error_frame(0x020, bytes(8))
    assert health.condition is Condition.UNHEARD and health.condition.stops_sending


@pytest.mark.parametrize(
    ("number", "words", "condition"),
    [
        (errno.ENOBUFS, "No buffer space available", Condition.QUEUE_FULL),
        (errno.ENETDOWN, "Network is down", Condition.DOWN),
        (errno.ENODEV, "No such device", Condition.GONE),
        (None, "Transmit buffer full", Condition.QUEUE_FULL),  # python-can's own words
        (None, "Cannot operate on a closed bus", Condition.GONE),
    ],
)
def test_refusals(number: int | None, words: str, condition: Condition) -> None:
    assert condition_of(number, words) is condition


def test_the_worst_condition_stays() -> None:
    health = BusHealth(Counter())
    health.refused(BusError(Condition.BUS_OFF, "off"))
    health.error_frame(0x004, bytes((0, 0x20)))
    assert health.condition is Condition.BUS_OFF


@given(st.lists(st.tuples(st.integers(0, 0x1FFFFFFF), st.binary(max_size=8)), max_size=30))
def test_any_error_frames_without_an_exception(frames: list[tuple[int, bytes]]) -> None:
    health = BusHealth(Counter())
    for kind, content in frames:
        health.error_frame(kind, content)
    assert health.condition in Condition
