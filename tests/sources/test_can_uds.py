"""The words of J1979-2 and back. Frames with a source are named; others are from memory."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.sources.can_allow import is_request_payload
from sootsayer.sources.can_uds import failure_types, j1979_reply, j1979_request, uds_request

# 19 42 33 .. 1E, 22 F401, 22 F806 with 62 F806 and four bytes, 59 42 33 with six bytes of head
# and five a code: as an ISO 27145 tester in the field sends and reads them.


@pytest.mark.parametrize(
    ("j1979", "uds"),
    [
        ("0101", "22F401"),
        ("010C2C2D", "22F40CF42CF42D"),
        ("0631", "22F631"),
        ("0902", "22F802"),
        ("03", "194233081E"),
        ("07", "194233041E"),
        ("0A", "195533"),
    ],
)
def test_requests_there_and_back(j1979: str, uds: str) -> None:
    request = bytes.fromhex(j1979)
    spoken = uds_request(request)
    assert spoken == bytes.fromhex(uds)
    assert is_request_payload(spoken)
    assert j1979_request(spoken) == request


@pytest.mark.parametrize("request_hex", ["020200", "04", "010C2C2D0B", "1003"])
def test_what_cannot_be_said_is_not_said(request_hex: str) -> None:
    assert uds_request(bytes.fromhex(request_hex)) is None


@pytest.mark.parametrize(
    ("request_hex", "uds", "j1979"),
    [
        ("010C", "62F40C1AF8", "410C1AF8"),
        ("010C2C", "62F40C1AF8F42C40", "410C1AF82C40"),
        ("0106", "62F4068080", "41068080"),
        ("01060C", "62F40680F40C1AF8", "4106800C1AF8"),
        ("0100", "62F4001838F001", "41001838F001"),
        ("0906", "62F806C973E3D8", "490601C973E3D8"),
        ("0902", "62F802" + "41" * 17, "490201" + "41" * 17),
        ("0631", "62F631802F0FA000002710", "4631802F0FA000002710"),
        ("03", "5942335CFE04", "4300"),
        ("03", "5942335CFE04" + "0204010008", "43010401"),
        ("03", "5942335CFE04" + "0204010008" + "0201710004", "43010401"),  # 0171 only pending
        ("07", "5942335CFE04" + "0204010008" + "0201710004", "47010171"),
        ("0A", "5955335C04" + "04010008", "4A010401"),
        ("010C", "7F2278", "7F0178"),
    ],
)
def test_replies_take_the_form_of_j1979(request_hex: str, uds: str, j1979: str) -> None:
    assert j1979_reply(bytes.fromhex(request_hex), bytes.fromhex(uds)) == bytes.fromhex(j1979)


@pytest.mark.parametrize(
    ("request_hex", "uds"),
    [
        ("010C", "62F40C1A"),
        ("010C", "62F40C1AF8AA"),
        ("010C", "62F60C1AF8"),
        ("0902", "62F804" + "41" * 17),
        ("0631", "62F631802F0FA0000027"),
        ("03", "5942335CFE0402040100"),
        ("0A", "5942335CFE040204010008"),
        ("03", "5942"),
        ("010C", "410C1AF8"),
        ("010C", ""),
    ],
)
def test_what_does_not_come_out_even_is_dropped(request_hex: str, uds: str) -> None:
    assert j1979_reply(bytes.fromhex(request_hex), bytes.fromhex(uds)) is None


def test_the_failure_type_is_kept() -> None:
    reply = bytes.fromhex("5942335CFE04" + "0204011C08" + "0201710004")
    assert failure_types(reply) == [("P0401", "1C"), ("P0171", "00")]


@given(st.binary(min_size=1, max_size=7), st.binary(max_size=64))
def test_any_bytes_without_an_exception(request_bytes: bytes, reply: bytes) -> None:
    j1979_reply(request_bytes, reply)
    j1979_request(request_bytes)
    failure_types(reply)
