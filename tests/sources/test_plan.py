"""What is asked for next: pure, with an invented car and invented time."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.model import Reading, Sample
from sootsayer.protocol.j1979 import scaling_of
from sootsayer.protocol.pids import LAYOUTS, SUPPORT_PIDS, channels_of
from sootsayer.rules.book import load_rules
from sootsayer.sources.adapter_settings import serial_settings, wanted_s
from sootsayer.sources.packing import BREATHING, EGR, NEVER_LAST, rows_of
from sootsayer.sources.plan import UNNEEDED, Capability, Moments, Plan, Request, clocks_of
from sootsayer.sources.questions import TRIES
from sootsayer.sources.wanted import Wanted, wanted_channels

PETROL = (0x01, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x1F, 0x2C, 0x2D,
          0x2E, 0x2F, 0x30, 0x33, 0x41, 0x42, 0x46)  # fmt: skip
# Whose needs count here; how many more rules are shipped is no business of the plan.
SHIPPED = load_rules()
RULES = {name: SHIPPED[name] for name in ("P1", "P2", "A1", "M1", "M2", "F1", "F1S", "F2", "E2")}
CLOCKS = clocks_of(serial_settings())
PIDS = sorted(LAYOUTS.keys() - SUPPORT_PIDS)


def reading(t_ms: int, channel: str, value: float) -> Reading:
    scaling = scaling_of(channel)
    raw = round((value - scaling.offset) / scaling.scale)
    return Reading(t_ms, "7E8", (Sample(channel, raw, scaling),))


def answers_all(request: Request) -> list[bytes]:
    """One control unit that knows every PID and no other service."""
    body = b"".join(bytes((pid,)) + bytes(LAYOUTS[pid].size) for pid in request.pids)
    return [b"\x41" + body] if body else []


@dataclass
class Driven:
    """What a plan asked of an invented car, and when."""

    requests: list[tuple[int, Request]] = field(default_factory=list)
    asked_ms: defaultdict[int, list[int]] = field(default_factory=lambda: defaultdict(list))

    def texts(self) -> list[str]:
        return [request.text for _, request in self.requests]

    def polls(self) -> list[tuple[int, ...]]:
        return [request.pids for _, request in self.requests if request.pids]


def plan_for(pids: Sequence[int], max_pids: int = 6, *, is_can: bool = True) -> Plan:
    return Plan(pids, wanted_channels(pids, RULES), Capability(max_pids, is_can), CLOCKS)


def drive(
    plan: Plan,
    until_ms: int,
    took_ms: int = 60,
    answer: Callable[[Request], list[bytes]] = answers_all,
    from_ms: int = 0,
) -> Driven:
    now_ms, driven = from_ms, Driven()
    while now_ms < until_ms:
        request = plan.next(now_ms)
        if request is None:
            due_ms = plan.due_ms(now_ms)
            assert due_ms > now_ms, "nothing to ask, and yet something is due"
            now_ms = due_ms
            continue
        driven.requests.append((now_ms, request))
        for pid in request.pids:
            driven.asked_ms[pid].append(now_ms)
        now_ms += took_ms
        replies = answer(request)
        if replies:
            plan.answered(request, took_ms, replies)
        else:
            plan.missed(request)
    return driven


# ---------------------------------------------------------------- what belongs together


def test_what_must_be_compared_is_in_one_request() -> None:
    for request in drive(plan_for(PETROL), 60_000).polls():
        if 0x2C in request:
            assert {0x2C, 0x2D, 0x0C, 0x0B, 0x10, 0x11} == set(request)


def test_three_at_a_time_keep_command_error_and_speed_together() -> None:
    polls = drive(plan_for(PETROL, 3), 10_000).polls()
    places = [at for at, request in enumerate(polls) if request == (0x2C, 0x2D, 0x0C)]
    assert len(places) > 10
    assert all(polls[at + 1] == (0x0B, 0x10, 0x11) for at in places[:-1])


def test_one_at_a_time_they_follow_each_other() -> None:
    polls = drive(plan_for(PETROL, 1, is_can=False), 120_000, took_ms=330).polls()
    for at, request in enumerate(polls[:-4]):
        if request == (0x2C,):
            assert polls[at + 1] == (0x2D,)
        if request == (0x0C,):
            assert polls[at : at + 4] == [(0x0C,), (0x0B,), (0x10,), (0x11,)]


def test_a_car_with_the_composite_gets_two_requests_of_things_that_belong_together() -> None:
    pids = {*EGR, *BREATHING}
    assert rows_of(pids, 6) == [(EGR,), (BREATHING,)]
    assert rows_of({0x0C, 0x11, 0x69}, 6) == [((0x69, 0x0C, 0x11),)]
    assert rows_of({0x05}, 6) == []


@given(st.sets(st.sampled_from(PIDS)), st.integers(2, 6))
def test_command_and_error_are_never_apart(supported: set[int], most: int) -> None:
    plan = plan_for(sorted(supported | {0x0C, 0x2C, 0x2D}), most)
    for request in drive(plan, 5_000).polls():
        assert (0x2C in request) == (0x2D in request)


@given(st.sets(st.sampled_from(PIDS)), st.integers(1, 6))
def test_requests_are_well_formed(supported: set[int], most: int) -> None:
    driven = drive(plan_for(sorted(supported | {0x0C}), most), 3_000)
    for request in driven.polls():
        assert 1 <= len(request) <= most and len(set(request)) == len(request)
        assert set(request) <= supported | {0x0C}
        assert most == 1 or request[-1] not in NEVER_LAST


# ---------------------------------------------------------------- pace


def test_every_parameter_gets_its_pace_on_a_quick_link() -> None:
    plan = plan_for(PETROL)
    driven = drive(plan, 600_000)
    for channel, wish in wanted_channels(PETROL, RULES).items():
        pid = next(pid for pid in PETROL if channel in channels_of(pid))
        assert len(driven.asked_ms[pid]) >= 0.75 * 600_000 / wish.pace_ms, channel
    assert plan.load() < 0.9


@given(
    st.sets(st.sampled_from(PIDS), min_size=1, max_size=40),
    st.integers(1, 6),
    st.integers(20, 900),
)
def test_nobody_starves_however_slow_the_link(pids: set[int], most: int, took_ms: int) -> None:
    """The longest wait is the pace stretched by the load, give and take; it has an end."""
    plan = plan_for(sorted(pids), most)
    wishes = wanted_channels(pids, RULES)
    wished = {pid: channels_of(pid) & wishes.keys() for pid in pids}
    paces = {
        pid: min(wishes[name].pace_ms for name in names) for pid, names in wished.items() if names
    }
    if not paces:
        return
    requests = sum(took_ms / pace for pace in paces.values())  # as if each had its own
    until_ms = int(40 * took_ms * (len(paces) + 20) + 30_000)
    driven = drive(plan, until_ms, took_ms)
    for pid, pace_ms in paces.items():
        asked = [0, *driven.asked_ms[pid], until_ms]
        longest_ms = max(b - a for a, b in pairwise(asked))
        row_ms = 12 * took_ms  # a row in single requests, and questions in between
        assert asked[1] <= row_ms * (len(paces) + 2), f"{pid:02X} is first asked for too late"
        bound_ms = pace_ms * max(1.0, requests) * UNNEEDED * 2 + row_ms * len(paces)
        assert longest_ms <= bound_ms, f"{pid:02X}"


def test_on_a_slow_link_the_rules_come_first() -> None:
    """Three readings a second, as on a K-line: all slow down, what no rule needs most."""
    plan = plan_for(PETROL, 1, is_can=False)
    driven = drive(plan, 600_000, took_ms=330)
    counts = Counter({pid: len(times) for pid, times in driven.asked_ms.items()})
    assert plan.load() > 5
    assert counts[0x2C] >= 2.5 * counts[0x0D] > 0  # 0.2 s wanted against 0.5 s
    assert counts[0x0D] > 2 * counts[0x0E]  # road speed is needed, spark advance is not, same pace
    assert min(counts[pid] for pid in PETROL) >= 1


def test_slow_ones_fill_the_places_that_are_left() -> None:
    pids = (0x2C, 0x2D, 0x0C, 0x05, 0x0D, 0x0F)
    polls = drive(plan_for(pids), 20_000).polls()
    assert (0x2C, 0x2D, 0x0C, 0x0D) in polls
    assert max(map(len, polls[6:])) <= 6
    assert all(0x0C in request for request in polls), "nothing needs a request of its own"


def test_while_the_valve_is_open_its_channels_come_more_often() -> None:
    def asked(command_pct: float) -> int:
        plan = plan_for(PETROL, 1, is_can=False)
        plan.heard(reading(0, "rpm", 2000))
        plan.heard(reading(0, "egr_pct", 0))
        times = 0
        for second in range(120):
            plan.heard(reading(second * 1000, "egr_pct", command_pct))
            driven = drive(plan, second * 1000 + 1000, 330, from_ms=second * 1000)
            times += len(driven.asked_ms[0x0B])
        return times

    assert asked(20.0) > asked(0.0)


def test_open_is_above_what_the_command_reads_when_shut() -> None:
    moments = Moments(13.2)
    moments.saw(0, "egr_pct", 0.0)  # engine off: says nothing of the running engine's shut value
    moments.saw(0, "rpm", 800.0)
    moments.saw(100, "egr_pct", 4.7)
    assert not moments.favoured(100)
    moments.saw(200, "egr_pct", 12.0)
    assert moments.favoured(200) and moments.favoured(5_200)
    assert not moments.favoured(5_300)


# ---------------------------------------------------------------- one at a time


def test_a_second_request_before_the_first_is_settled_is_our_mistake() -> None:
    plan = plan_for(PETROL)
    request = plan.next(0)
    assert request is not None
    with pytest.raises(RuntimeError, match="still waited for"):
        plan.next(10)
    with pytest.raises(RuntimeError, match="was not the request"):
        plan.missed(Request(b"\x01\x00"))
    plan.busy(request)
    assert plan.next(20) is not None


def test_the_same_answers_give_the_same_plan() -> None:
    first, second = (drive(plan_for(PETROL), 60_000).requests for _ in range(2))
    assert first == second


def test_what_is_announced_but_never_answered_is_given_up() -> None:
    def without_oil(request: Request) -> list[bytes]:
        return answers_all(Request(bytes(b for b in request.payload if b != 0x5C)))

    plan = plan_for((0x0C, 0x5C, 0x05))
    driven = drive(plan, 120_000, answer=without_oil)
    assert len(driven.asked_ms[0x5C]) == CLOCKS.missed_pids
    assert plan.pids == (0x05, 0x0C)


def test_an_empty_plan_waits() -> None:
    plan = Plan((), {}, Capability(), CLOCKS)
    driven = drive(plan, 600_000)
    assert len(driven.requests) <= 12 * TRIES and driven.polls() == []


def test_asking_for_less_halves_the_requests() -> None:
    plan = plan_for(PETROL)
    plan.ask_for_less()
    assert max(map(len, drive(plan, 5_000).polls())) == 3


# ---------------------------------------------------------------- the slow clocks


def full_car(request: Request) -> list[bytes]:
    """Answers as SAE J1979 lays out services 03, 06, 07, 09 and 02 on CAN."""
    replies = {
        "03": "4300", "07": "47010401", "0A": "4A00",
        "0900": "490054400000",  # 02 04 06 0A
        "0902": "490201" + "41" * 17, "0904": "490401" + "42" * 16, "0906": "490601DEADBEEF",
        "090A": "490A01" + "43" * 20,
        "0620": "4620" + "0000C000",  # 31 32
        "0631": "463180FD000A00000064", "0632": "463281FD000A00000064",
        "020200": "4202000401", "020000": "420000" + "1C1B8000", "022000": "422000" + "00180000",
    }  # fmt: skip
    if request.text in replies:
        return [bytes.fromhex(replies[request.text])]
    if request.payload[0] == 0x02:
        pids = request.payload[1::2]
        return [b"\x42" + b"".join(bytes((p, 0)) + bytes(LAYOUTS[p].size) for p in pids)]
    return answers_all(request)


def test_words_monitors_and_freeze_frame_are_asked_as_the_car_announces_them() -> None:
    texts = drive(plan_for(PETROL), 100_000, answer=full_car).texts()
    once = ["0900", "0902", "0904", "0906", "090A", "0620", "020000", "022000"]
    assert {text: texts.count(text) for text in once} == dict.fromkeys(once, 1)
    assert texts.count("0631") == texts.count("0632") == 1
    assert texts.count("07") == 2  # every minute
    frozen = [text for text in texts if text.startswith("02") and len(text) > 6]
    # bitmap 1C1B8000 of 00 is 04 05 06 0C 0D 0F 10 11; 00180000 of 20 is 2C 2D
    assert frozen == ["0204000C001000", "0211000D000500", "020F000600", "022C002D00"]
    assert not any(text.startswith("0633") for text in texts)


def test_a_car_without_bitmap_of_words_is_asked_for_them_all() -> None:
    texts = drive(plan_for(PETROL), 60_000).texts()
    assert texts.count("0900") == TRIES
    assert {"0902", "0904", "0906", "090A", "0908", "090B"} <= set(texts)


def test_older_links_are_not_asked_for_what_they_cannot_have() -> None:
    texts = drive(plan_for(PETROL, 1, is_can=False), 300_000, 330, full_car).texts()
    tests = {text for text in texts if text.startswith("06")}
    assert "0A" not in texts and "0600" in tests and "0620" not in tests
    assert not tests & {"0604", "0608"}  # their last two characters are services of their own
    # one pair a request, and load never: its last four characters would clear codes
    assert "022C00" in texts and "020400" not in texts


def test_a_code_that_was_not_there_before_brings_its_freeze_frame() -> None:
    stored = {"07": "4700"}

    def car(request: Request) -> list[bytes]:
        if request.text in stored:
            return [bytes.fromhex(stored[request.text])]
        return [] if request.text == "020200" else full_car(request)

    plan = plan_for(PETROL)
    drive(plan, 90_000, answer=car)
    stored["07"] = "47010401"
    stored["020200"] = "4202000401"
    texts = drive(plan, 200_000, answer=car, from_ms=90_000).texts()
    assert texts.count("020200") == 1 and "022C002D00" in texts


def test_when_the_engine_stops_all_is_looked_at_once_more_at_once() -> None:
    plan = plan_for(PETROL)
    plan.heard(reading(0, "rpm", 800))
    drive(plan, 30_000, answer=full_car)
    plan.heard(reading(30_000, "rpm", 0))
    driven = drive(plan, 32_000, answer=full_car, from_ms=30_000)
    assert {"03", "07", "0A", "0631", "0632"} <= set(driven.texts())
    assert {0x01, 0x41, 0x30} <= driven.asked_ms.keys()
    again = drive(plan, 60_000, answer=full_car, from_ms=32_000)
    assert "0631" not in again.texts()  # the alternator that stops with the engine is no news


def test_a_voltage_that_falls_is_a_last_look_too() -> None:
    moments = Moments(13.2)
    moments.saw(0, "rpm", 800.0)
    for t_ms, volts in ((0, 14.1), (100, 12.6), (200, 12.5)):
        moments.saw(t_ms, "adapter_voltage", volts)
    moments.saw(300, "rpm", 0.0)
    assert moments.stops == 1 and moments.closing(20_200) and not moments.closing(20_301)
    moments.saw(60_000, "vpwr", 14.0)
    moments.saw(61_000, "vpwr", 12.0)
    assert moments.stops == 2


# ---------------------------------------------------------------- wishes


def test_every_wanted_channel_has_a_pace() -> None:
    assert all(0.1 <= pace <= 3600 for pace in wanted_s().values())


def test_what_no_armed_rule_needs_is_known() -> None:
    wishes = wanted_channels(PETROL, RULES)
    assert wishes["map"].needed and wishes["egr_err"].needed and wishes["iat"].needed
    assert wishes["sparkadv"] == Wanted(500, needed=False)
    without_command = wanted_channels(set(PETROL) - {0x2C}, RULES)
    assert not without_command["maf"].needed  # nothing to judge flow against
