"""The bit rate is found by listening; nothing is ever sent meanwhile."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

import can
import pytest

from can_rig import Run, settings
from sootsayer.clock import LogClock
from sootsayer.model import SootsayerError, SourceState
from sootsayer.sources.can_health import BusError, Condition
from sootsayer.sources.can_opening import Interface, Rate, find_rate, interface_of, opened
from sootsayer.sources.can_source import CanSource


@dataclass
class RatedBus:
    """An interface that can be told a rate, on a car that talks at one of them, or not at all."""

    true_rate: int
    talks: bool
    opened: list[tuple[int | None, bool]] = field(default_factory=list)
    sent: list[tuple[int | None, can.Message]] = field(default_factory=list)

    def interface(self) -> Interface:
        return Interface("rated", self.open_bus, takes_rate=True)

    def open_bus(self, rate: int | None, listen_only: bool) -> can.BusABC:
        self.opened.append((rate, listen_only))
        return _OneBus(self, rate, listen_only)


class _OneBus(can.BusABC):
    def __init__(self, rated: RatedBus, rate: int | None, listen_only: bool) -> None:
        super().__init__(channel="rated")
        self._rated, self._rate, self._listen_only = rated, rate, listen_only
        self._replies: list[can.Message] = []
        self._left = 20

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        assert not self._listen_only
        self._rated.sent.append((self._rate, msg))
        right = self._rate == self._rated.true_rate
        if right and msg.data[:3] == b"\x02\x01\x00":
            data = bytes.fromhex("0641000010000000")
            self._replies.append(can.Message(arbitration_id=0x7E8, data=data, is_extended_id=False))

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        if self._replies:
            return self._replies.pop(0), True
        if not self._rated.talks or not self._left:
            return None, True
        self._left -= 1
        if self._rate == self._rated.true_rate:
            return can.Message(arbitration_id=0x1A0, data=b"\x01", is_extended_id=False), True
        return can.Message(arbitration_id=0x008, is_error_frame=True, data=bytes(8)), True


@pytest.mark.parametrize("rate", [500_000, 250_000])
def test_a_bus_that_talks_shows_its_rate(rate: int) -> None:
    rated = RatedBus(rate, talks=True)
    found = find_rate(rated.interface(), settings(), threading.Event())
    assert found == Rate(rate, proven=True)
    assert rated.sent == [] and all(listen_only for _, listen_only in rated.opened)


def test_a_silent_bus_shows_nothing_and_the_likelier_rate_is_tried() -> None:
    rated = RatedBus(250_000, talks=False)
    found = find_rate(rated.interface(), settings(listen_s=0.05), threading.Event())
    assert found == Rate(500_000, proven=False) and rated.sent == []


def test_an_interface_with_a_rate_of_its_own_is_taken_as_it_is() -> None:
    source = Interface("given", lambda rate, listen_only: pytest.fail("need not be opened"))
    assert find_rate(source, settings(), threading.Event()) == Rate(None, proven=False)


@pytest.mark.parametrize("talks", [True, False])
def test_the_source_asks_only_at_the_right_rate_or_where_nobody_talks(talks: bool) -> None:
    rated = RatedBus(250_000, talks=talks)
    changes = settings(listen_s=0.05, late_s=0.05, blind_pauses_s=(0.05,))
    with Run(CanSource("rated", rated.interface(), LogClock(0), changes)) as run:
        run.wait_state(SourceState.READING)
    if talks:
        assert {rate for rate, _ in rated.sent} == {250_000}, "a talking bus is never disturbed"


def test_unknown_kinds_and_missing_interfaces_are_told_in_words() -> None:
    with pytest.raises(SootsayerError, match="'nope' is unknown"):
        interface_of("nope", "can0")
    with pytest.raises(BusError) as caught:  # no AF_CAN on this machine, or no such interface
        opened(interface_of("socketcan", "cannot9"), None, None, silent=True)
    assert "cannot9 (socketcan) cannot be opened" in str(caught.value)
    assert caught.value.condition in (Condition.GONE, Condition.DOWN)
