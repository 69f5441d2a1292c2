"""Codes trip by trip, margins of monitors, freeze frames, clearing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.judge.codes import (
    MONITORS_RESET,
    clearings,
    codes_by_trip,
    freeze_frames,
    margin_pct,
    monitor_results,
    readiness,
)
from sootsayer.model import (
    CodeSeen,
    CodesRead,
    CodeStatus,
    Identity,
    Link,
    Scaling,
    Series,
    Trip,
)
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.protocol.j1979 import scaling_of
from sootsayer.sources.batching import BatchBuilder

MINUTE = 60_000
PENDING, CONFIRMED = CodeStatus.PENDING, CodeStatus.CONFIRMED


def trip(number: int, start_min: int, end_min: int) -> Trip:
    return Trip(number, start_min * MINUTE, end_min * MINUTE, False, 0.0, 0.0, 0)


def series(channel: str, *points: tuple[int, int]) -> Series:
    t_ms, raw = zip(*points, strict=True)
    return Series(
        channel, scaling_of(channel), np.array(t_ms, dtype=np.int64), np.array(raw, dtype=np.int64)
    )


def heard(*payloads: str, unit: str = "7E8") -> tuple[Series, ...]:
    """What a decoder makes of replies, one a second, as series."""
    decoder, builder = ReplyDecoder(), BatchBuilder()
    for second, payload in enumerate(payloads, start=1):
        for event in decoder.feed(second * 1000, unit, bytes.fromhex(payload)):
            builder.add(event)
    return builder.take(10**9).series


# ---------------------------------------------------------------- trip by trip


def test_sightings_are_counted_trip_by_trip_beside_the_looks() -> None:
    trips = [trip(1, 10, 30), trip(2, 60, 80), trip(3, 100, 120)]
    seen = [
        CodeSeen(61 * MINUTE, "7E8", "P0401", PENDING),
        CodeSeen(62 * MINUTE, "7E8", "P0401", PENDING),
        CodeSeen(62 * MINUTE, "7E8", "P0401", CONFIRMED),
        CodeSeen(62 * MINUTE, "7E9", "P0700", CONFIRMED),
        CodeSeen(80 * MINUTE + 20_000, "7E8", "P0401", CONFIRMED),  # the last look
    ]
    read = [
        *(CodesRead(m * MINUTE, "7E8", PENDING, 0) for m in (11, 12, 61, 62, 110)),
        CodesRead(200 * MINUTE, "7E8", PENDING, 0),
    ]
    outside, first, second, third = codes_by_trip(trips, seen, read)
    assert (outside.trip, outside.looks, outside.codes) == (None, {PENDING: 1}, ())
    assert (first.trip, first.looks, first.codes) == (1, {PENDING: 2}, ())
    assert (third.trip, third.looks, third.codes) == (3, {PENDING: 1}, ())
    flow, gearbox = second.codes
    assert (flow.unit, flow.code, flow.seen) == ("7E8", "P0401", {PENDING: 2, CONFIRMED: 2})
    assert (flow.name, flow.link) == ("recirculation flow too small", Link.FLOW)
    assert flow.last_ms == 80 * MINUTE + 20_000
    assert (gearbox.unit, gearbox.name, gearbox.link) == ("7E9", "", None)


def test_no_trips_and_nothing_seen_is_an_empty_table() -> None:
    assert codes_by_trip([], [], []) == ()


# ---------------------------------------------------------------- freeze frames


def test_a_freeze_frame_is_read_from_the_replies_of_service_02() -> None:
    decoder = ReplyDecoder()
    said = [
        event
        for payload in ("4202000401", "422C00402D0080", "420C001AF80D0032")
        for event in decoder.feed(5, "7E8", bytes.fromhex(payload))
        if isinstance(event, Identity)
    ]
    (frame,) = freeze_frames(said)
    assert (frame.unit, frame.code, frame.t_ms) == ("7E8", "P0401", 5)
    # 25.098 %: scapy 2.8.0 reads the same of 42 2C 00 40
    assert frame.values == {
        "egr_pct": "25.098 %", "egr_err": "0 %", "rpm": "1726 rpm", "vss": "50 km/h",
    }  # fmt: skip


def said(t_ms: int, key: str, value: str, unit: str = "7E8") -> Identity:
    return Identity(t_ms, unit, f"freeze {key}", value)


def test_two_codes_have_two_frames_and_no_value_of_one_gets_into_the_other() -> None:
    told = [
        said(0, "code", "P0401"), said(1, "rpm", "800 rpm"), said(1, "ect", "80 °C"),
        said(900, "code", "P0171"), said(901, "rpm", "2400 rpm"),
        said(5, "code", "P0700", "7E9"),
    ]  # fmt: skip
    first, second, gearbox = freeze_frames(told)
    assert (first.code, first.t_ms) == ("P0401", 0)
    assert first.values == {"rpm": "800 rpm", "ect": "80 °C"}
    assert (second.code, second.values) == ("P0171", {"rpm": "2400 rpm"})
    assert (gearbox.unit, gearbox.values) == ("7E9", {})


def test_of_one_code_the_last_frame_counts_and_a_restart_that_heard_less_loses_none() -> None:
    told = [
        said(0, "code", "P0401"), said(1, "rpm", "800 rpm"), said(1, "ect", "80 °C"),
        said(500, "code", "P0401"), said(501, "rpm", "900 rpm"),
        said(800, "code", "P0401"),
    ]  # fmt: skip
    (frame,) = freeze_frames(told)
    assert (frame.t_ms, frame.values) == (500, {"rpm": "900 rpm"})


def test_what_another_tester_asked_before_the_code_is_of_that_code() -> None:
    (frame,) = freeze_frames([said(0, "rpm", "800 rpm"), said(1, "code", "P0401")])
    assert frame.values == {"rpm": "800 rpm"}


def test_values_without_a_code_are_no_freeze_frame() -> None:
    assert freeze_frames([Identity(0, "7E8", "freeze rpm", "800 rpm")]) == ()


# ---------------------------------------------------------------- service 06


def test_results_carry_units_limits_and_margin() -> None:
    """SAE J1979: kind FD is 0.001 kPa signed, 10 is milliseconds; record of nine bytes."""
    found = heard("463180FD000A00000064" + "318110" + "01F4" + "0000" + "FFFF")
    pressure, time = monitor_results(found)
    assert (pressure.monitor, pressure.test, pressure.unit) == (0x31, 0x80, "kPa")
    assert pressure.value == pytest.approx(0.010)
    assert (pressure.least, pressure.greatest) == (0.0, pytest.approx(0.1))
    assert pressure.passed and pressure.margin_pct == pytest.approx(10.0)
    assert pressure.recirculation and pressure.control_unit == ""
    assert (time.value, time.unit) == (pytest.approx(0.5), "s")
    assert (time.least, time.greatest, time.margin_pct, time.passed) == (None, None, None, True)


def test_a_result_outside_its_limits_fails_with_a_negative_margin() -> None:
    (result,) = monitor_results(heard("463180FD006E00000064"))
    assert not result.passed and result.margin_pct == pytest.approx(-10.0)


def test_each_look_is_a_result_of_its_own() -> None:
    found = monitor_results(heard("463180FD000A00000064", "463180FD001400000064"))
    assert [round(result.margin_pct or 0) for result in found] == [10, 20]


def test_a_test_that_has_not_run_is_no_result() -> None:
    assert monitor_results(heard("463180FD000000000000")) == ()


@given(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4), st.floats(0.01, 1e4))
def test_margins_run_from_nought_at_a_limit_to_fifty_in_the_middle(
    value: float, least: float, room: float
) -> None:
    margin = margin_pct(value, least, least + room)
    assert margin is not None and margin <= 50 + 1e-6
    assert (margin >= 0) == (least <= value <= least + room)


def test_margins_with_one_limit_or_none() -> None:
    assert margin_pct(3.0, None, 4.0) == pytest.approx(25.0)
    assert margin_pct(5.0, 4.0, None) == pytest.approx(25.0)
    assert margin_pct(5.0, None, None) is None
    assert margin_pct(0.0, None, 0.0) == 0.0 and margin_pct(1.0, None, 0.0) == -100.0


# ---------------------------------------------------------------- readiness, clearing


def test_the_last_status_counts() -> None:
    said = readiness([series("monitor_status", (1, 0x0007E580), (2, 0x8107E500))])
    assert said.since_cleared is not None and said.since_cleared.egr_complete
    assert said.since_cleared.lamp_on and said.since_cleared.codes == 1
    assert said.this_cycle is None


def test_counters_that_fall_tell_that_codes_were_cleared_once() -> None:
    found = clearings(
        [
            series("warm_ups", (0, 12), (300_000, 12), (900_000, 0), (1_200_000, 1)),
            series("clr_dist", (0, 400), (310_000, 402), (890_000, 0)),
            series("monitor_status", (0, 0x0007E500), (840_000, 0x0007E5E5)),
        ]
    )
    (cleared,) = found
    assert (cleared.after_ms, cleared.t_ms) == (310_000, 840_000)
    assert set(cleared.signs) == {
        "warm-ups since codes were cleared fell from 12 to 0",
        "distance since codes were cleared fell from 402 to 0 km",
        MONITORS_RESET,
    }


def test_two_clearings_an_hour_apart_are_two() -> None:
    counts = series("warm_ups", (0, 5), (MINUTE, 0), (60 * MINUTE, 1), (61 * MINUTE, 0))
    assert [found.t_ms for found in clearings([counts])] == [MINUTE, 61 * MINUTE]


def test_growing_counters_and_finishing_monitors_are_no_clearing() -> None:
    grows = series("clr_dist@7E9", (0, 3), (1, 4), (2, 4))
    completes = series("monitor_status", (0, 0x0007E5E5), (1, 0x0007E580), (2, 0x8107E500))
    assert clearings([grows, completes]) == ()


def test_another_set_of_monitors_is_another_control_unit_not_a_clearing() -> None:
    status = series("monitor_status", (0, 0x0007E500), (1, 0x0007A520))
    assert clearings([status]) == ()


def test_readings_with_other_channels_are_passed_over() -> None:
    plain = Series("rpm", Scaling("x", 1, 0, "rpm"), np.array([1]), np.array([2]))
    assert monitor_results([plain]) == () and clearings([plain]) == ()
