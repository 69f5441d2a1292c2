"""Frames of serial streams: any cutting gives the same, noise costs but never makes one."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.model import Reading
from sootsayer.protocol.stream_table import Checksum, StreamTable, check_byte, stream_from
from sootsayer.protocol.streams import (
    BROKEN_OFF,
    ECHOES,
    FRAMES,
    NOT_BELIEVED,
    SKIPPED,
    WRONG_SUM,
    StreamDecoder,
)

REQUEST = bytes.fromhex("5A 22 01 07 7C")


def definition(**line: object) -> dict[str, Any]:
    """Two counted messages; the second comes by itself."""
    return {
        "name": "test stream",
        "line": {"baud": 8192, "echo": True, **line},
        "frame": {
            "kind": "counted", "length_base": 0x20, "mode": 1, "checksum": "zero-sum",
        },
        "message": [
            {
                "name": "engine", "id": "5A", "data_bytes": 4,
                "request": "5A 22 01 07 7C", "period_s": 0.2,
                "row": [
                    {"name": "speed", "role": "rpm", "at": 0, "width": 2, "scale": 0.5,
                     "unit": "rpm", "min": 0, "max": 8000},
                    {"name": "volts", "at": 2, "scale": 0.1, "unit": "V", "min": 5, "max": 18},
                    {"name": "flag", "at": 3, "mask": 0x40, "min": 0, "max": 1},
                ],
            },
            {
                "name": "chatter", "id": "6B", "data_bytes": 1,
                "row": [{"name": "level", "at": 0, "signed": True, "min": -100, "max": 100}],
            },
        ],
    }  # fmt: skip


def table(**line: object) -> StreamTable:
    return stream_from(definition(**line), "stream file test.toml")


def frame(head: str, body: bytes) -> bytes:
    whole = bytes.fromhex(head) + body
    return whole + check_byte(Checksum.ZERO_SUM, whole)


GOOD = frame("5A 25 01", bytes.fromhex("0F A0 7B 40"))  # 2000 rpm, 12.3 V, flag set
OTHER = frame("6B 22 01", b"\xfe")


def values(readings: list[Reading]) -> list[dict[str, float]]:
    return [
        {s.channel: round(s.raw * s.scaling.scale + s.scaling.offset, 6) for s in one.samples}
        for one in readings
    ]


# ---------------------------------------------------------------- checksums


def test_the_sum_of_a_frame_is_nought() -> None:
    """A worked example made apart from our code: F4 57 01 00 ends in B4."""
    assert check_byte(Checksum.ZERO_SUM, bytes.fromhex("F4 57 01 00")) == b"\xb4"
    assert sum(bytes.fromhex("F4 57 01 00 B4")) % 256 == 0


def test_sum_and_xor() -> None:
    """Worked example of ISO 14230-2, made apart from our code: C2 33 F1 01 0C ends in F3."""
    assert check_byte(Checksum.SUM, bytes.fromhex("C2 33 F1 01 0C")) == b"\xf3"
    assert check_byte(Checksum.XOR, b"\x0f\xf0\x01") == b"\xfe"  # by hand
    assert check_byte(Checksum.NONE, b"\x01") == b""


# ---------------------------------------------------------------- frames


def test_a_frame_becomes_readings_with_units_by_role() -> None:
    (reading,) = StreamDecoder(table()).feed(1000, GOOD)
    assert (reading.t_ms, reading.unit) == (1000, "5A")
    assert values([reading]) == [{"rpm": 2000.0, "volts": 12.3, "flag": 1.0}]
    assert [s.scaling.unit for s in reading.samples] == ["rpm", "V", ""]
    assert [s.raw for s in reading.samples] == [4000, 123, 1]  # as received


def test_our_own_echo_is_taken_away_before_the_reply() -> None:
    decoder = StreamDecoder(table())
    decoder.sent(REQUEST)
    assert len(decoder.feed(0, REQUEST + GOOD)) == 1
    assert decoder.counters == {ECHOES: 1, FRAMES: 1}


def test_an_echo_that_could_be_a_frame_is_still_an_echo() -> None:
    stated = definition()
    stated["message"] = [
        {
            "name": "short", "id": "5A", "data_bytes": 1, "request": "5A 22 01 07 7C",
            "period_s": 1,
            "row": [{"name": "level", "at": 0, "min": 0, "max": 255}],
        }
    ]  # fmt: skip
    decoder = StreamDecoder(stream_from(stated, "x"))
    decoder.sent(REQUEST)
    (reading,) = decoder.feed(0, REQUEST + frame("5A 22 01", b"\x2a"))
    assert values([reading]) == [{"level": 42.0}]


def test_without_an_echo_on_the_wire_the_reply_is_found_as_well() -> None:
    decoder = StreamDecoder(table())
    decoder.sent(REQUEST)
    assert len(decoder.feed(0, GOOD)) == 1


def test_a_spoiled_frame_is_counted_and_the_next_one_found() -> None:
    spoiled = bytearray(GOOD)
    spoiled[4] ^= 0x01
    decoder = StreamDecoder(table())
    assert len(decoder.feed(0, bytes(spoiled) + GOOD)) == 1
    assert decoder.counters[WRONG_SUM] == 1
    assert decoder.counters[SKIPPED] == len(GOOD)


def test_a_frame_broken_off_does_not_swallow_the_next() -> None:
    decoder = StreamDecoder(table(gap_ms=40))
    assert decoder.feed(0, GOOD[:5]) == []
    assert len(decoder.feed(100, GOOD)) == 1
    assert decoder.counters[BROKEN_OFF] == 1


def test_a_frame_in_two_parts_with_a_long_pause_is_none() -> None:
    decoder = StreamDecoder(table(gap_ms=40))
    assert decoder.feed(0, GOOD[:5]) + decoder.feed(41, GOOD[5:]) + decoder.pause() == []
    assert len(StreamDecoder(table(gap_ms=40)).feed(0, GOOD[:5])) == 0
    patient = StreamDecoder(table(gap_ms=40))
    assert patient.feed(0, GOOD[:5]) == [] and len(patient.feed(40, GOOD[5:])) == 1


def test_a_whole_frame_inside_a_false_beginning_is_found_at_the_pause() -> None:
    stated = definition()
    stated["message"][0]["data_bytes"] = 9
    decoder = StreamDecoder(stream_from(stated, "x"))
    assert decoder.feed(0, b"\x5a\x2a\x01" + OTHER) == []  # could still be one longer frame
    (reading,) = decoder.pause()
    assert values([reading]) == [{"level": -2.0}]


def test_what_is_not_believable_is_absent_and_counted() -> None:
    decoder = StreamDecoder(table())
    (reading,) = decoder.feed(0, frame("5A 25 01", bytes.fromhex("0F A0 02 00")))  # 0.2 V
    assert values([reading]) == [{"rpm": 2000.0, "flag": 0.0}]
    assert decoder.counters[NOT_BELIEVED] == 1


def test_fixed_frames_of_two_byte_ids_and_xor() -> None:
    stated = definition()
    stated["frame"] = {"kind": "fixed", "checksum": "xor"}
    stated["message"] = [
        {
            "name": "by itself", "id": "AA 55", "data_bytes": 2,
            "row": [{"name": "word", "at": 0, "width": 2, "order": "little", "min": 0,
                     "max": 65535}],
        }
    ]  # fmt: skip
    body = bytes.fromhex("AA 55 34 12")
    decoder = StreamDecoder(stream_from(stated, "x"))
    readings = decoder.feed(0, b"\xaa" + body + check_byte(Checksum.XOR, body))
    assert values(readings) == [{"word": float(0x1234)}]


# ---------------------------------------------------------------- any cutting, any noise

PIECES = st.lists(
    st.one_of(
        st.sampled_from([GOOD, OTHER, REQUEST, GOOD[:3], b"\x5a", b"\x5a\x25\x01"]),
        st.binary(max_size=12),
    ),
    max_size=8,
)


@given(PIECES, st.lists(st.integers(0, 80), max_size=12))
def test_any_cutting_gives_the_same(pieces: list[bytes], cuts: list[int]) -> None:
    wire = b"".join(pieces)
    whole, byte_by_byte, cut_up = (StreamDecoder(table()) for _ in range(3))
    for decoder in (whole, byte_by_byte, cut_up):
        decoder.sent(REQUEST)
    expected = whole.feed(5, wire) + whole.pause()
    one_by_one = [r for b in wire for r in byte_by_byte.feed(5, bytes((b,)))]
    places = sorted({0, len(wire), *(c for c in cuts if c < len(wire))})
    parts = [wire[a:b] for a, b in pairwise(places)]
    in_parts = [r for part in parts for r in cut_up.feed(5, part)]
    assert one_by_one + byte_by_byte.pause() == expected
    assert in_parts + cut_up.pause() == expected
    assert whole.counters == byte_by_byte.counters == cut_up.counters


@given(st.binary(max_size=40), st.binary(max_size=40))
def test_noise_around_a_frame_neither_hides_nor_alters_it(before: bytes, after: bytes) -> None:
    decoder = StreamDecoder(table())
    readings = decoder.feed(0, before)
    readings += decoder.feed(1000, GOOD)  # a pause on the line, as before every reply
    readings += decoder.feed(2000, after) + decoder.pause()
    assert {"rpm": 2000.0, "volts": 12.3, "flag": 1.0} in values(readings)


@given(st.integers(0, len(GOOD) - 1), st.integers(0, 7))
def test_no_single_bit_error_makes_a_reading(place: int, bit: int) -> None:
    """A sum of bytes shows every single-bit error, and every error within one byte."""
    spoiled = bytearray(GOOD)
    spoiled[place] ^= 1 << bit
    decoder = StreamDecoder(table())
    assert decoder.feed(0, bytes(spoiled)) + decoder.pause() == []


@given(st.lists(st.tuples(st.integers(0, 100), st.binary(max_size=30)), max_size=30))
def test_whatever_comes_nothing_is_raised_and_nothing_grows(
    arrivals: list[tuple[int, bytes]],
) -> None:
    decoder = StreamDecoder(table())
    t_ms = 0
    for later_ms, received in arrivals:
        t_ms += later_ms
        decoder.feed(t_ms, received)
        assert len(decoder._waiting) < 9  # the longest frame is 8 bytes
    decoder.pause()
    assert decoder._waiting == b""


def test_a_long_frame_is_not_needed_for_the_short_one_behind_it() -> None:
    decoder = StreamDecoder(table())
    assert values(decoder.feed(0, OTHER + GOOD)) == [
        {"level": -2.0},
        {"rpm": 2000.0, "volts": 12.3, "flag": 1.0},
    ]


@pytest.mark.parametrize(
    ("mask", "shift", "signed", "expected"),
    [  # 0xB6 = 1011 0110, by hand
        (0xFF, None, False, 182),
        (0xFF, None, True, -74),
        (0x70, None, False, 3),
        (0x70, None, True, 3),
        (0xF0, None, True, -5),
        (0x0F, 0, False, 6),
        (0xF6, 4, False, 11),
    ],
)
def test_mask_shift_and_sign(mask: int, shift: int | None, signed: bool, expected: int) -> None:
    stated = definition()
    row: dict[str, object] = {"name": "bits", "at": 0, "mask": mask, "signed": signed,
                              "min": -1000, "max": 1000}  # fmt: skip
    if shift is not None:
        row["shift"] = shift
    stated["message"] = [{"name": "m", "id": "5A", "data_bytes": 1, "row": [row]}]
    (reading,) = StreamDecoder(stream_from(stated, "x")).feed(0, frame("5A 22 01", b"\xb6"))
    assert reading.samples[0].raw == expected
