"""Who answers what is found out once and remembered from trip to trip."""

from __future__ import annotations

from sootsayer.sources.can_answering import TRIPS_REMEMBERED, UNKNOWN_TRIES, Answering

CAR = frozenset({("7E8", frozenset({0x0C, 0x05})), ("7E9", frozenset({0x05}))})
MONITOR = b"\x06\x31"


def tried(car: frozenset[tuple[str, frozenset[int]]] = CAR) -> Answering:
    """The engine gives results of monitors, the gearbox is silent to that."""
    answering = Answering(4)
    answering.begin(car)
    for _ in range(UNKNOWN_TRIES):
        assert answering.waited_for("7E9", MONITOR)
        answering.note(MONITOR, {"7E8", "7E9"}, {"7E8"})
    return answering


def test_who_never_answers_a_kind_is_soon_not_waited_for() -> None:
    answering = tried()
    assert answering.waited_for("7E8", MONITOR) and not answering.waited_for("7E9", MONITOR)
    assert answering.waited_for("7E9", b"\x01\x05") and answering.waited_for("7E9", b"\x03")


def test_who_answered_before_is_given_more_tries_and_counted_as_missed() -> None:
    answering = tried()
    missed = [answering.note(MONITOR, {"7E8"}, set()) for _ in range(4)]
    assert missed == [1, 1, 1, 1] and not answering.waited_for("7E8", MONITOR)
    answering.note(MONITOR, (), {"7E8"})
    assert answering.waited_for("7E8", MONITOR)


def test_the_next_trip_begins_with_what_is_known() -> None:
    answering = tried()
    for _ in range(4):
        answering.note(MONITOR, {"7E8"}, set())
    answering.begin(CAR)
    assert answering.waited_for("7E8", MONITOR), "what it knew before it may know again"
    assert not answering.waited_for("7E9", MONITOR)


def test_another_car_or_many_trips_begin_afresh() -> None:
    answering = tried()
    answering.begin(frozenset({("7E8", frozenset({0x0C}))}))
    assert answering.waited_for("7E9", MONITOR)
    answering = tried()
    for _ in range(TRIPS_REMEMBERED):
        answering.begin(CAR)
    assert answering.waited_for("7E9", MONITOR)
