"""Codes: coding against scapy, links and spoiled inputs against the trade's grouping."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.all import load_contrib

from sootsayer.model import Link
from sootsayer.protocol.codes import (
    FROM_MEMORY,
    NAMES,
    code_text,
    codes_in,
    inputs_spoiled_by,
    is_recirculation,
    link_of,
    name_of,
)

load_contrib("automotive.obd.obd")
from scapy.contrib.automotive.obd.obd import OBD  # noqa: E402


@pytest.mark.parametrize(
    ("raw", "text"),
    # coding of SAE J2012: two bits family, two bits first digit, three hexadecimal digits
    [("0401", "P0401"), ("245A", "P245A"), ("C100", "U0100"), ("4123", "C0123"), ("9ABC", "B1ABC")],
)
def test_coding(raw: str, text: str) -> None:
    assert code_text(*bytes.fromhex(raw)) == text


def test_codes_of_a_reply_equal_scapys() -> None:
    payload = bytes.fromhex("43050401245AC10041239ABC")
    theirs = [
        f"{'PCBU'[dtc.location]}{dtc.code1:X}{dtc.code2:X}{dtc.code3:X}{dtc.code4:X}"
        for dtc in OBD(payload).dtcs
    ]
    assert list(codes_in(payload[2:])) == theirs


def test_filler_and_an_odd_byte_are_no_codes() -> None:
    assert list(codes_in(bytes.fromhex("0401 0000 0404 01"))) == ["P0401", "P0404"]


@pytest.mark.parametrize(
    ("codes", "link"),
    [
        ("P0400 P0401 P0402 P2413 P049A P049B P049C", Link.FLOW),
        ("P0403 P0489 P0490 P045A P045C P045D", Link.ASK),
        ("P0404 P0405 P0406 P0407 P0408 P0409 P042E P042F P045E P045F P046C P046F", Link.MOVE),
        ("P0171 P0300 P1401 P0485 P2146 P2428 U0100", None),
    ],
)
def test_the_link_a_code_speaks_of(codes: str, link: Link | None) -> None:
    for code in codes.split():
        assert link_of(code) == link
        assert is_recirculation(code) == (link is not None)


def test_every_named_code_speaks_of_a_link_and_the_rest_has_no_name() -> None:
    assert all(link_of(code) is not None for code in NAMES)
    assert set(NAMES) >= FROM_MEMORY
    assert name_of("P1400") == ""  # a maker's code keeps its number only


@pytest.mark.parametrize(
    ("code", "channel"),
    [
        ("P0107", "map"),
        ("P0101", "maf"),
        ("P0117", "ect"),
        ("P0113", "iat"),
        ("P0122", "tp"),
        ("P0068", "map"),
        ("P0069", "baro"),
        ("P0705", "n_d_stat"),
        ("P0500", "vss"),
    ],
)
def test_a_code_that_spoils_an_input_names_it(code: str, channel: str) -> None:
    assert channel in inputs_spoiled_by(code)
    assert inputs_spoiled_by("P0401") == ()


@given(st.binary(max_size=64))
def test_any_bytes_give_well_formed_codes(body: bytes) -> None:
    for code in codes_in(body):
        assert len(code) == 5 and code[0] in "PCBU" and code[1] in "0123"
