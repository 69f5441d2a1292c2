"""Rolling windows as pictures: one sign a chance or a minute, and what the alert does.

`.` good, `#` failed, a space nothing seen. The expected line below each picture has, in the same
column, `-` no alert, `!` alert open.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from sootsayer.model import AlertState
from sootsayer.rules.book import load_rules
from sootsayer.rules.watches import ChanceWatch, LevelWatch, SightingWatch, TimeWatch

MINUTE_MS = 60_000


def chances(name: str, picture: str) -> str:
    watch = ChanceWatch(load_rules()[name])
    states = ""
    for minute, sign in enumerate(picture):
        if sign != " ":
            t_ms = minute * MINUTE_MS
            watch.settle(watch.add(t_ms, t_ms + 1000, sign == "#", 0.0, 1, {}), t_ms)
        states += "!" if watch.open else "-"
    return states


@pytest.mark.parametrize(
    ("rule", "picture", "states"),
    [
        # one odd opening accuses nobody
        ("M1", "...#......................", "--------------------------"),
        # three in a row are no accident
        ("M1", "...###....", "-----!!!!!"),
        # a valve that fails from the first day is found at the third opening
        ("M1", "######", "--!!!!"),
        # one in five is found although most openings are good
        ("F1", "....#....#....#....#....#....#", "-------------------!!!!!!!!!!!"),
        # nothing seen changes nothing
        ("M1", "###          ", "--!!!!!!!!!!!"),
        # twenty-five good ones in a row end it, twenty-four do not
        ("M1", "###" + "." * 24, "--" + "!" * 25),
        ("M1", "###" + "." * 26, "--" + "!" * 25 + "--"),
    ],
)
def test_chances(rule, picture, states):
    assert chances(rule, picture) == states


@pytest.mark.parametrize(("failing_trips", "good_trips", "ends"),
    [(1, 1, True), (2, 1, False), (2, 2, True), (5, 2, True)],
)  # fmt: skip
def test_what_failed_in_two_trips_must_be_quiet_in_two(failing_trips, good_trips, ends):
    watch = ChanceWatch(load_rules()["M1"])
    trips = [trip for trip in range(failing_trips) for _ in range(6)]
    trips += [failing_trips + trip for trip in range(good_trips) for _ in range(40 // good_trips)]
    for minute, trip in enumerate(trips):
        t_ms = minute * MINUTE_MS
        found = watch.add(t_ms, t_ms + 1000, trip < failing_trips, 0.0, trip, {})
        watch.settle(found, t_ms)
    assert watch.open != ends


def test_rare_failures_of_a_sound_car_do_not_add_up():
    """One in forty, for ever, is within what the rule forgives."""
    picture = ("." * 39 + "#") * 20
    assert "!" not in chances("M1", picture)


def minutes(name: str, picture: str, trip_every: int = 10) -> str:
    watch = TimeWatch(load_rules()[name])
    states = ""
    for minute, sign in enumerate(picture):
        t_ms = minute * MINUTE_MS
        if sign != " ":
            failing_s = 60.0 if sign == "#" else 0.0
            found = watch.add(t_ms, t_ms + MINUTE_MS, 60.0, failing_s, 1 + minute // trip_every)
            watch.settle(found, t_ms)
        states += "!" if watch.open else "-"
    return states


@pytest.mark.parametrize(
    ("rule", "picture", "states"),
    [
        # nine minutes are not enough, nor is one trip; ten minutes in two trips are
        ("P2", "#########", "---------"),
        ("P2", "###############", "----------!!!!!"),
        # unknown time neither raises nor clears
        ("P2", "###########  #       ", "----------!!!!!!!!!!!"),
        # asked for half the time: nothing
        ("P2", "#.#.#.#.#.#.#.#.#.#.", "--------------------"),
        # it ends when the share falls below the clear limit, not at the first good minute
        ("P2", "############.........", "----------!!!!!!!!!!-"),
    ],
)
def test_time(rule, picture, states):
    assert minutes(rule, picture) == states


def test_window_counts_eligible_time_not_the_clock():
    """An hour's window holds sixty eligible minutes, however many days lie between them."""
    watch = TimeWatch(load_rules()["P2"])
    for minute in range(200):
        t_ms = minute * 24 * 3_600_000
        watch.add(t_ms, t_ms + MINUTE_MS, 60.0, 0.0, minute)
    assert watch.eligible_s == 3600


def test_time_counts_trips():
    watch = TimeWatch(load_rules()["P2"])
    for trip, failing_s in enumerate([0.0, 600.0, 600.0]):
        watch.add(trip, trip + 1, 600.0, failing_s, trip)
    assert watch.trips() == (3, 2)


def level(picture: list[tuple[float, float, float]]) -> list[bool]:
    watch = LevelWatch(load_rules()["F2"])
    opened = []
    for step, (value, sd, rows) in enumerate(picture):
        watch.settle(watch.add(step * 30_000, (step + 1) * 30_000, value, sd, rows), step)
        opened.append(watch.open)
    return opened


def test_level_needs_exposure_sureness_and_time():
    assert level([(30, 1, 50)] * 5) == [False] * 5  # too few settled readings
    assert level([(30, 20, 500)] * 5) == [False] * 5  # not surely above nothing
    assert level([(30, 1, 500)] * 4) == [False, True, True, True]
    assert level([(30, 1, 500)] * 2 + [(10, 1, 500)])[-1]  # between the limits it stays
    assert not level([(30, 1, 500)] * 2 + [(5, 1, 500)])[-1]


def test_an_alert_keeps_its_beginning_and_reports_changes_only():
    watch = ChanceWatch(load_rules()["M1"])
    told = []
    for step in range(8):
        found = watch.add(step * 1000, step * 1000 + 500, True, 0.0, 1, {})
        told.append(watch.settle(found, step * 1000))
    raised = [alert for alert in told if alert is not None]
    assert {alert.first_ms for alert in raised} == {0}
    assert all(after.seen > before.seen for before, after in pairwise(raised))
    assert raised[0].raised_ms == 2000


def test_a_code_is_an_alert_of_its_own_and_ends_after_quiet_trips():
    watch = SightingWatch(load_rules()["C1"], "P0401", "flow too small", None)
    first = watch.settle(watch.add(1000, 1, "pending", "7E8"), 1000)
    assert first is not None
    assert "P0401" in first.title
    states = []
    for trip in range(2, 7):
        changed = watch.settle(watch.look(trip), trip * 1000)
        states.append(changed.state if changed else None)
    assert AlertState.CLEARED in states
    assert not watch.open


def test_every_rule_states_its_reason():
    for rule in load_rules().values():
        assert len(rule.reason) > 20, rule.name
        assert rule.channels, rule.name
