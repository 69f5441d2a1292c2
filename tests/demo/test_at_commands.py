"""The adapter's answers, line by line."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_values import ParkedCar
from sootsayer.demo.at_commands import IDENTITY, AtCommands


def adapter(*commands: str, key_on: bool = True) -> AtCommands:
    car = ParkedCar()
    car.key_on = key_on
    made = AtCommands(car)
    for command in commands:
        made.answer(command)
    return made


def test_dialogue_from_reset_to_readings() -> None:
    at = adapter()
    talk = {
        "ATZ": ["", IDENTITY, ""],
        "ATE0": ["OK"],
        "ATS0": ["OK"],
        "ATH1": ["OK"],
        "ATSP0": ["OK"],
        "ATDPN": ["A0"],
        "0100": ["SEARCHING...", "7E8064100BE3F8013AA", "7E906410088080000AA"],
        "atdpn ": ["A6"],
        "ATDP": ["AUTO, ISO 15765-4 (CAN 11/500)"],
        "010C": ["7E804410C212DAAAAAA"],
        "03": ["7E8024300AAAAAAAAAA", "7E9024300AAAAAAAAAA"],
        "01FF": ["NO DATA"],
        "ATRV": ["12.4V"],
        "ATIGN": ["ON"],
        "ATFOO": ["?"],
        "hello": ["?"],
    }
    for command, lines in talk.items():
        assert at.answer(command)[0] == lines, command


def test_bare_return_repeats() -> None:
    at = adapter("ATSP6", "ATS0", "010D")
    assert at.answer("")[0] == at.answer("010D")[0] == ["410D57", "410D57"]
    assert AtCommands(ParkedCar()).answer("") == ([], False)


def test_headers_and_spaces_as_set() -> None:
    at = adapter("ATSP6")
    assert at.answer("010C")[0] == ["41 0C 21 2D"]
    at.answer("ATH1")
    assert at.answer("010C")[0] == ["7E8 04 41 0C 21 2D AA AA AA"]


def test_long_replies_without_headers_are_numbered() -> None:
    lines = adapter("ATSP6", "ATS0", "ATSH7E0").answer("0902")[0]
    assert lines[0] == "014" and [line[:2] for line in lines[1:]] == ["0:", "1:", "2:"]


def test_physical_header_reaches_one_unit_and_a_count_cuts() -> None:
    at = adapter("ATSP6", "ATS0", "ATH1")
    assert len(at.answer("010D")[0]) == 2
    assert len(at.answer("010D1")[0]) == 1
    at.answer("ATSH7E1")
    assert at.answer("010D")[0] == ["7E903410D57AAAAAAAA"]


def test_key_off() -> None:
    assert adapter("ATSP0", key_on=False).answer("0100")[0] == ["SEARCHING...", "UNABLE TO CONNECT"]
    at = adapter("ATSP0", "0100")
    at.car.key_on = False  # type: ignore[misc]
    assert at.answer("010C")[0] == ["NO DATA"]
    at.answer("ATPC")
    assert at.answer("010C")[0][-1] == "UNABLE TO CONNECT"


@pytest.mark.parametrize(
    ("protocol", "line"), [("3", "BUS INIT: ...ERROR"), ("7", "CAN ERROR"), ("1", "NO DATA")]
)
def test_wrong_protocol(protocol: str, line: str) -> None:
    assert adapter(f"ATSP{protocol}").answer("0100")[0] == [line]


def test_reset_forgets_settings() -> None:
    at = adapter("ATSP6", "ATH1", "ATS0", "ATE0", "010C")
    at.answer("ATZ")
    assert at.settings.echo and not at.settings.headers and not at.connected


@pytest.mark.parametrize(
    "command",
    [
        "ATST32",
        "ATAT1",
        "ATAT0",
        "ATAL",
        "ATCAF1",
        "ATCFC1",
        "ATL0",
        "ATSW00",
        "ATLP",
        "ATD",
        "ATM0",
    ],
)
def test_plain_settings_are_accepted(command: str) -> None:
    assert adapter().answer(command)[0] == ["OK"]


@given(st.text(max_size=40))
def test_no_line_makes_it_fall_over(line: str) -> None:
    lines, _ = adapter("ATSP6").answer(line)
    assert all(isinstance(text, str) for text in lines)
