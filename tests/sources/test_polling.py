"""What is asked for next, and when the key is off: pure, with invented time."""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.protocol.pids import LAYOUTS
from sootsayer.sources.adapter_settings import serial_settings, wanted_ms_by_pid, wanted_s
from sootsayer.sources.key_off import KeyWatch, Pauses, Rest
from sootsayer.sources.polling import NEVER_LAST, PollPlan

PETROL = (0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x2C, 0x2D, 0x33)
REQUEST_MS = 60


def drive(plan: PollPlan, until_ms: int) -> tuple[Counter[int], list[tuple[int, ...]]]:
    """Poll a car that answers everything in REQUEST_MS."""
    now_ms, seen, requests = 0, Counter[int](), []
    while now_ms < until_ms:
        pids = plan.choose(now_ms)
        if not pids:
            now_ms = max(now_ms + 1, plan.due_ms(now_ms))
            continue
        seen.update(pids)
        requests.append(pids)
        plan.asked(pids, frozenset(pids), now_ms)
        now_ms += REQUEST_MS
    return seen, requests


def test_what_must_be_compared_is_in_one_request() -> None:
    _, requests = drive(PollPlan(wanted_ms_by_pid(PETROL), 6, 5), 60_000)
    for request in requests:
        if 0x2C in request:
            assert {0x2C, 0x2D, 0x0C, 0x0B, 0x10, 0x11} == set(request)


def test_every_parameter_gets_its_pace_on_a_quick_link() -> None:
    wanted_ms = wanted_ms_by_pid(PETROL)
    seen, _ = drive(PollPlan(wanted_ms, 6, 5), 600_000)
    for pid, pace_ms in wanted_ms.items():
        assert seen[pid] >= 0.75 * 600_000 / pace_ms, f"{pid:02X}"


def test_on_a_slow_link_all_slow_down_alike_and_none_starves() -> None:
    wanted_ms = wanted_ms_by_pid(PETROL)
    seen, requests = drive(PollPlan(wanted_ms, 1, 5), 600_000)
    assert all(len(request) == 1 for request in requests)
    assert all(seen[pid] >= 2 for pid in wanted_ms)
    assert seen[0x2C] > 5 * seen[0x05]


def test_three_at_a_time_keep_command_error_and_speed_together() -> None:
    _, requests = drive(PollPlan(wanted_ms_by_pid(PETROL), 3, 5), 10_000)
    assert (0x2C, 0x2D, 0x0C) in requests


@given(st.sets(st.sampled_from(sorted(LAYOUTS))), st.sampled_from([2, 3, 6]))
def test_no_request_ends_in_what_would_be_a_service(supported: set[int], most: int) -> None:
    plan = PollPlan(wanted_ms_by_pid(supported | {0x0C}), most, 5)
    _, requests = drive(plan, 2_000)
    for request in requests:
        assert 1 <= len(request) <= most and len(set(request)) == len(request)
        assert request[-1] not in NEVER_LAST


def test_what_is_announced_but_never_answered_is_given_up() -> None:
    plan = PollPlan({0x0C: 200, 0x5C: 1000}, 6, 3)
    for number in range(3):
        assert 0x5C in plan.pids
        given_up = plan.asked((0x0C, 0x5C), frozenset({0x0C}), number * 1000)
    assert given_up == [0x5C] and plan.pids == (0x0C,)


def test_an_empty_plan_waits() -> None:
    plan = PollPlan({}, 6, 5)
    assert plan.choose(0) == () and plan.due_ms(0) > 0


def test_every_wanted_channel_has_a_label_and_a_pace() -> None:
    assert all(0.1 <= pace <= 3600 for pace in wanted_s().values())
    assert {0x2C, 0x2D, 0x0C} <= wanted_ms_by_pid(range(256)).keys()


# ---------------------------------------------------------------- key off


def watch(volts: float | None) -> KeyWatch:
    key = KeyWatch(serial_settings())
    key.volts = volts
    return key


def test_a_running_engine_is_never_key_off_however_low_the_voltage() -> None:
    key = watch(12.1)
    key.engine_speed(0, 800)
    assert key.key_off(10_000_000) == ""


def test_a_stalled_engine_is_given_time_to_start_again() -> None:
    key = watch(12.2)
    key.engine_speed(0, 0)
    assert key.key_off(29_000) == ""
    assert key.key_off(30_000) == "engine stopped for 30 s, 12.2 V"
    key.engine_speed(30_500, 250)
    assert key.key_off(90_000) == ""


def test_nobody_answering_and_nobody_charging_is_key_off_at_once() -> None:
    key = watch(12.4)
    for _ in range(3):
        assert key.key_off(0) == ""
        key.replied(False)
    assert key.key_off(0) == "no control unit answers, 12.4 V"
    key.replied(True)
    assert key.key_off(0) == ""


def test_a_charging_alternator_means_key_on() -> None:
    key = watch(14.2)
    key.engine_speed(0, 0)
    for _ in range(10):
        key.replied(False)
    assert key.silent and key.key_off(10_000_000) == ""


def test_without_a_voltage_speed_alone_must_be_surer() -> None:
    key = watch(None)
    key.engine_speed(0, 0)
    assert key.key_off(119_000) == ""
    assert key.key_off(120_000) == "engine stopped for 120 s, voltage unknown"


@pytest.mark.parametrize(
    ("seen", "reason"),
    [
        ([12.6, 12.5, 13.2], "charging at 13.2 V"),
        ([12.6, 12.3, 12.8], "voltage rose from 12.3 to 12.8 V"),
        ([12.6, None, 12.7, 12.2, 12.5], ""),  # a battery that recovers
    ],
)
def test_the_engine_is_known_by_the_voltage(seen: list[float | None], reason: str) -> None:
    rest = Rest(serial_settings())
    assert [rest.started(volts) for volts in seen][-1] == reason


def test_pauses_grow_and_the_last_repeats() -> None:
    pauses = Pauses((1.0, 5.0))
    assert [pauses.next_s() for _ in range(4)] == [1.0, 5.0, 5.0, 5.0]
    pauses.reset()
    assert pauses.next_s() == 1.0
