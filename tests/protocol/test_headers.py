"""Header lines: check bytes against worked examples of the standards' arithmetic."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.protocol.headers import (
    Frame,
    LineFault,
    LinkKind,
    crc_j1850,
    frame_of,
    kind_seen_in,
    kind_told_by,
    sum_check,
)


def test_check_bytes() -> None:
    # from independent code, not ours: 68 6A F1 01 0C → CRC 8B, sum D0
    assert crc_j1850(bytes.fromhex("686AF1010C")) == 0x8B
    assert sum_check(bytes.fromhex("686AF1010C")) == 0xD0
    assert sum_check(bytes.fromhex("C233F1010C")) == 0xF3
    assert sum_check(bytes.fromhex("83F111412C40")) == 0x32
    # CRC-8/SAE-J1850 check value of the catalogue of parametrised CRC algorithms
    assert crc_j1850(b"123456789") == 0x4B


@pytest.mark.parametrize(
    ("line", "kind", "expected"),
    [
        ("7E804410C1AF8", LinkKind.CAN_11, Frame("7E8", bytes.fromhex("04410C1AF8"))),
        ("7EF0100", LinkKind.CAN_11, Frame("7EF", b"\x01\x00")),
        ("7E0300000", LinkKind.CAN_11, LineFault.FOREIGN),
        ("1230441", LinkKind.CAN_11, LineFault.FOREIGN),
        ("7E8", LinkKind.CAN_11, LineFault.CUT),
        ("7E80441C", LinkKind.CAN_11, LineFault.CUT),
        ("7E8" + "00" * 9, LinkKind.CAN_11, LineFault.NOT_DIGITS),
        ("18DAF11003410D32", LinkKind.CAN_29, Frame("18DAF110", bytes.fromhex("03410D32"))),
        ("18DB33F103410D32", LinkKind.CAN_29, LineFault.FOREIGN),
        ("83F111412C4032", LinkKind.KWP, Frame("11", bytes.fromhex("412C40"))),
        ("80F11103412C4032", LinkKind.KWP, Frame("11", bytes.fromhex("412C40"))),
        ("C233F1010CF3", LinkKind.KWP, LineFault.FOREIGN),
        ("686AF1010CD0", LinkKind.ISO_9141, LineFault.FOREIGN),
        ("686AF1010C8B", LinkKind.J1850, LineFault.FOREIGN),
        ("HELLO", LinkKind.CAN_11, LineFault.NOT_DIGITS),
    ],
)
def test_lines(line: str, kind: LinkKind, expected: Frame | LineFault) -> None:
    assert frame_of(line, kind) == expected


@pytest.mark.parametrize(
    ("told", "kind"),
    [
        ("A6", LinkKind.CAN_11),
        ("7", LinkKind.CAN_29),
        ("8", LinkKind.CAN_11),
        ("A9", LinkKind.CAN_29),
        ("1", LinkKind.J1850),
        ("2", LinkKind.J1850),
        ("A3", LinkKind.ISO_9141),
        ("4", LinkKind.KWP),
        ("A5", LinkKind.KWP),
        ("AA", None),
        ("?", None),
        ("", None),
        ("AUTO, ISO", None),
    ],
)
def test_protocol_numbers(told: str, kind: LinkKind | None) -> None:
    assert kind_told_by(told) == kind


def test_a_link_is_known_by_its_lines() -> None:
    assert kind_seen_in("7E804410C1AF8") is LinkKind.CAN_11
    assert kind_seen_in("18DAF11003410D32") is LinkKind.CAN_29
    assert kind_seen_in("486B10410C1AF8B2") is LinkKind.J1850
    assert kind_seen_in("486B10410C1AF822") is LinkKind.ISO_9141
    assert kind_seen_in("83F111412C4032") is LinkKind.KWP
    assert kind_seen_in("SEARCHING") is None


@given(st.text(max_size=40), st.sampled_from(LinkKind))
def test_no_line_raises(line: str, kind: LinkKind) -> None:
    assert isinstance(frame_of(line, kind), Frame | LineFault)


@given(st.text("0123456789ABCDEF", max_size=30), st.sampled_from(LinkKind))
def test_no_digits_raise(line: str, kind: LinkKind) -> None:
    frame = frame_of(line, kind)
    if isinstance(frame, Frame):
        assert frame.body
