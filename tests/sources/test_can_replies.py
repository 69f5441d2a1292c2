"""Replies become readings only when they come out even and answer the question."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.sources.can_replies import fits, is_whole


@pytest.mark.parametrize(
    ("request_hex", "reply_hex"),
    [
        ("010C", "410C1AF8"),
        ("012C2D0C", "412C402D800C1AF8"),
        ("012C2D0C", "410C1AF82C40"),  # any order, some left out
        ("0100", "41001838F001"),
        ("0106", "410680"),
        ("0106", "41068080"),  # banks 1 and 3
        ("03", "4300"),
        ("03", "43020401" + "0171"),
        ("0A", "4A010404"),
        ("020200", "4202000401"),
        ("022C00", "422C0040"),
        ("022C000C00", "422C00400C001AF8"),
        ("0620", "462080000001"),
        ("0631", "4631802F0FA000002710"),
        ("0902", "490201" + b"SXXTSAYERDEMX2401".hex()),
        ("0900", "490054400000"),
        ("0908", "490810" + "0001" * 16),
        ("010C", "7F0112"),
    ],
)
def test_whole_replies_fit_their_request(request_hex: str, reply_hex: str) -> None:
    assert fits(bytes.fromhex(request_hex), bytes.fromhex(reply_hex))


@pytest.mark.parametrize(
    ("request_hex", "reply_hex", "why"),
    [
        ("010C", "410C1A", "cut short"),
        ("010C", "410C1AF8AA", "filler taken for bytes"),
        ("010C", "410D32", "another parameter"),
        ("010C", "430C1A", "another service"),
        ("012C2D", "412D402D80", "the same parameter twice"),
        ("012C2D", "412C", "no value"),
        ("03", "43020401", "fewer codes than counted"),
        ("03", "430104010171", "more codes than counted"),
        ("03", "4301AAAA04", "not even"),
        ("07", "430104" + "01", "another status"),
        ("022C00", "422C0140", "another frame"),
        ("0631", "4632802F0FA000002710", "another monitor"),
        ("0631", "4631802F0FA0000027", "record cut short"),
        ("0902", "490401" + "41" * 16, "another item"),
        ("0902", "490201" + "41" * 16, "a character short"),
        ("010C", "7F0312", "a refusal of something else"),
        ("010C", "7F01", "a refusal cut short"),
        ("010C", "", "nothing"),
    ],
)
def test_others_do_not(request_hex: str, reply_hex: str, why: str) -> None:
    assert not fits(bytes.fromhex(request_hex), bytes.fromhex(reply_hex)), why


def test_a_unit_cannot_give_what_it_did_not_announce() -> None:
    request, reply = bytes.fromhex("012C2D"), bytes.fromhex("412D40")
    assert fits(request, reply, frozenset({0x2C, 0x2D}))
    assert not fits(request, reply, frozenset({0x2C}))


@given(st.binary(max_size=8), st.binary(max_size=40))
def test_any_bytes_are_judged_without_an_exception(request_bytes: bytes, reply: bytes) -> None:
    is_whole(reply)
    if request_bytes:
        fits(request_bytes, reply)
