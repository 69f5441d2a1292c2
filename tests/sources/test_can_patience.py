"""A lost frame costs little, and a late reply is never taken for the answer to a later request."""

from __future__ import annotations

import threading

import pytest

from can_rig import Reply, Run, ScriptedCar, current, interface, settings
from sootsayer.clock import Deadline, LogClock, boottime_ms
from sootsayer.sources.can_patience import (
    KNOWN_AFTER,
    LATE_FORGIVEN,
    Missed,
    Patience,
    Unanswered,
)
from sootsayer.sources.can_source import CanSource

LATE_S = 0.4


def known(longest_s: float, units: tuple[str, ...] = ("7E8",)) -> Patience:
    patience = Patience(0.15, LATE_S)
    for unit in units:
        for _ in range(KNOWN_AFTER):
            patience.took(unit, longest_s)
    return patience


@pytest.mark.parametrize(
    ("longest_s", "waited_s"), [(0.01, 0.15), (0.08, 0.24), (0.3, LATE_S)], ids=str
)
def test_three_times_the_longest_is_waited_within_bounds(longest_s: float, waited_s: float) -> None:
    assert known(longest_s).wait_s({"7E8"}) == pytest.approx(waited_s)


def test_the_slowest_of_several_counts_and_an_unknown_one_is_waited_for_in_full() -> None:
    patience = known(0.08)
    for _ in range(KNOWN_AFTER):
        patience.took("7E9", 0.02)
    assert patience.wait_s({"7E8", "7E9"}) == pytest.approx(0.24)
    assert patience.wait_s({"7E8", "7EA"}) == LATE_S
    assert patience.wait_s(()) == LATE_S


def test_who_was_late_is_waited_for_in_full_for_a_good_while() -> None:
    patience = known(0.01)
    patience.late("7E8")
    for _ in range(LATE_FORGIVEN - 1):
        patience.took("7E8", 0.01)
        assert patience.wait_s({"7E8"}) == LATE_S
    patience.took("7E8", 0.01)
    assert patience.wait_s({"7E8"}) == pytest.approx(0.15)


def test_what_is_unanswered_is_forgotten_in_time() -> None:
    waits = Unanswered()
    waits.add(Missed(b"\x01\x0c\x0b", frozenset({"7E8"}), lambda *_: True, Deadline(60)))
    waits.add(Missed(b"\x03", frozenset({"7E9"}), lambda *_: False, Deadline(60)))
    waits.add(Missed(b"\x01\x05", frozenset({"7EA"}), lambda *_: True, Deadline(0)))
    assert waits.pids == {0x0C, 0x0B} and 59 < waits.left_s() <= 60
    assert waits.awaits("7E9") and not waits.awaits("7EA")
    assert waits.is_late("7E8", b"\x41\x0c\x00\x00") and not waits.is_late("7E9", b"\x43\x00")


class Forgetful:
    """A car that leaves one request in so many unanswered, or answers it ``late_s`` later."""

    def __init__(self, every: int, late_s: float | None) -> None:
        self.every, self.late_s = every, late_s
        self.car: ScriptedCar | None = None
        self.count = 0
        self.asked: list[tuple[int, bytes, bool]] = []  # boot time, request, answered in time
        self.timers: list[threading.Timer] = []

    def __call__(self, unit: int, request: bytes) -> Reply:
        if request[0] != 0x01:
            return bytes((0x7F, request[0], 0x11))  # not known: nothing to wait for
        self.count += 1
        reply = current(request)
        misses = self.count > 40 and self.count % self.every == 0
        self.asked.append((boottime_ms(), request, not misses))
        if misses and self.late_s is not None and reply is not None and self.car is not None:
            timer = threading.Timer(self.late_s, self.car.reply, (unit, reply))
            self.timers.append(timer)
            timer.start()
        return None if misses else reply

    def end(self) -> None:
        for timer in self.timers:
            timer.join()

    def asides(self) -> list[tuple[int, bytes, bytes]]:
        """Those where the next request came before a late answer was out of the question."""
        return [one for one in self.after_misses() if one[0] < 1000 * LATE_S * 0.5]

    def after_misses(self) -> list[tuple[int, bytes, bytes]]:
        """(ms until the next request, the missed one, the next one)."""
        return [
            (after[0] - before[0], before[1], after[1])
            for before, after in zip(self.asked, self.asked[1:], strict=False)
            if not before[2]
        ]


def asking(channel: str) -> Run:
    """A source whose clock runs fast, so that it asks as fast as the car answers."""
    source = CanSource(
        channel, interface(channel), LogClock(0, 40.0), settings(late_s=LATE_S, reply_s=0.1)
    )
    return Run(source)


def test_a_lost_reply_costs_less_than_half_a_second_and_nothing_alike_is_asked_meanwhile() -> None:
    answer = Forgetful(every=9, late_s=None)
    with ScriptedCar("forgetful", answer) as car, asking("forgetful") as run:
        answer.car = car
        run.wait(lambda events: len(answer.after_misses()) >= 5 and bool(answer.asides()))
    asides = answer.asides()
    for _, missed, following in asides:
        assert not set(missed[1:]) & set(following[1:]), "what a late answer could be taken for"
        size = len(current(following) or b"")
        assert size <= 7, "into a reply of several frames a late one could slip"
    assert run.counters()["reply missed"] >= 5


def test_a_late_reply_is_told_as_such_and_the_unit_is_waited_for_again() -> None:
    answer = Forgetful(every=9, late_s=0.25)
    with ScriptedCar("late one", answer) as car, asking("late one") as run:
        answer.car = car
        run.wait(lambda events: bool(answer.asides()))
        known = answer.asides()[0]
        run.wait(
            lambda events: len(answer.after_misses()) >= answer.after_misses().index(known) + 4
        )
        answer.end()
    waits = answer.after_misses()
    later = [wait_ms for wait_ms, _, _ in waits[waits.index(known) + 1 :]]
    assert all(wait_ms >= 240 for wait_ms in later), later
    counters = run.counters()
    assert counters["reply too late"] + counters["frame nobody waited for"] >= 1
