"""Is the key off, has the engine started again: pure, with invented time and voltages."""

from __future__ import annotations

import pytest

from sootsayer.sources.adapter_settings import serial_settings
from sootsayer.sources.key_off import KeyWatch, Pauses, Rest


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


# ---------------------------------------------------------------- surface charge, ignition line


def test_a_battery_just_charged_does_not_keep_the_control_units_awake() -> None:
    """Minutes after a drive a sound battery still shows 13.3 V: common practice."""
    key = watch(13.3)
    key.engine_speed(0, 800)
    key.engine_speed(1_000, 0)
    assert key.key_off(2_000) == ""  # it answers: the key is on
    for _ in range(3):
        key.replied(False)
    assert key.key_off(3_000) == "no control unit answers, 13.3 V"
    rest = Rest(serial_settings())
    assert [rest.started(volts) for volts in (13.3, 13.2, 13.0, 12.8)] == [""] * 4
    assert rest.started(13.4) == "charging at 13.4 V"


def test_an_engine_that_ran_when_it_was_last_heard_is_not_off_while_it_charges() -> None:
    key = watch(13.3)
    key.engine_speed(0, 800)
    for _ in range(5):
        key.replied(False)
    assert key.key_off(60_000) == ""


def test_the_ignition_line_tells_at_once() -> None:
    key = watch(12.9)
    key.engine_speed(0, 800)
    key.ignition_line(True)
    assert key.key_off(1_000) == ""
    key.ignition_line(False)
    assert key.key_off(2_000) == "", "the engine still turns"
    key.engine_speed(3_000, 0)
    assert key.key_off(3_000) == "ignition line went off, 12.9 V"


def test_a_line_that_never_changes_tells_nothing() -> None:
    key, rest = watch(12.9), Rest(serial_settings())
    key.engine_speed(0, 0)
    for on in (False, None, False):
        key.ignition_line(on)
    assert key.key_off(1_000) == ""
    assert [rest.started(None, True) for _ in range(3)] == [""] * 3
    assert not rest.sees


def test_the_line_wakes_where_it_was_off_before() -> None:
    key = watch(12.4)
    key.ignition_line(True)
    rest = Rest(serial_settings(), key.line_tells)
    assert rest.started(None, False) == "" and rest.sees
    assert rest.started(12.4, True) == "ignition line went on"


def test_a_line_that_was_never_on_is_not_waited_for() -> None:
    """Without a voltage the car would never be asked again."""
    key = watch(None)
    key.ignition_line(False)
    rest = Rest(serial_settings(), key.line_tells)
    assert rest.started(None, False) == "" and not rest.sees
