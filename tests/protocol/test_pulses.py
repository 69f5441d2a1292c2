"""The slow form: bits told by pulse widths, oversampled by a serial port."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.protocol.pulses import DOUBTFUL, WRONG_LENGTH, PulseWords, bit_of
from sootsayer.protocol.stream_table import stream_from
from sootsayer.protocol.streams import StreamDecoder

ZERO, ONE = 0xFC, 0xC0  # low for 3 and for 7 tenths, start bit included


def line_levels(low_tenths: int) -> list[int]:
    """One cell as ten samples of the line, as a scope would show it."""
    return [0] * low_tenths + [1] * (10 - low_tenths)


def as_serial_port(levels: list[int]) -> int:
    """What a serial port makes of ten samples: start bit, eight bits lowest first, stop bit."""
    assert levels[0] == 0
    return sum(bit << place for place, bit in enumerate(levels[1:9]))


def cells(bits: list[int]) -> bytes:
    return bytes(as_serial_port(line_levels(7 if bit else 3)) for bit in bits)


def bits_of(words: bytes) -> list[int]:
    spread = [1] * 9
    for word in words:
        spread += [0, *(word >> place & 1 for place in range(7, -1, -1))]
    return spread


def wire(*frames: bytes) -> bytes:
    """Frames one after another, and what begins the next."""
    return cells([*(bit for words in (*frames, b"") for bit in bits_of(words)), 0])


@pytest.mark.parametrize("low", range(1, 10))
def test_width_of_a_pulse_by_an_independent_serial_port(low: int) -> None:
    expected = 0 if low <= 4 else None if low == 5 else 1
    assert bit_of(as_serial_port(line_levels(low))) == expected


@given(st.integers(0, 255))
def test_a_character_that_rises_and_falls_again_is_no_pulse(character: int) -> None:
    levels = [0, *(character >> place & 1 for place in range(8))]
    falls_again = any(a > b for a, b in pairwise(levels))
    if falls_again:
        assert bit_of(character) is None


FRAMES = st.lists(st.binary(min_size=4, max_size=4), min_size=1, max_size=4)


@given(FRAMES)
def test_frames_come_out_as_they_went_in(frames: list[bytes]) -> None:
    assert PulseWords(4, Counter()).feed(wire(*frames)) == frames


@given(FRAMES, st.integers(1, 9))
def test_any_cutting_gives_the_same(frames: list[bytes], size: int) -> None:
    sent = wire(*frames)
    decoder = PulseWords(4, Counter())
    found = [f for at in range(0, len(sent), size) for f in decoder.feed(sent[at : at + size])]
    assert found == frames


@given(st.binary(min_size=4, max_size=4), st.integers(9, 44), st.booleans())
def test_a_pulse_lost_or_added_costs_the_frame(words: bytes, place: int, lost: bool) -> None:
    spoiled = bytearray(cells(bits_of(words)))
    if lost:
        del spoiled[place]
    else:
        spoiled.insert(place, spoiled[place])
    decoder = PulseWords(4, Counter())
    found = decoder.feed(bytes(spoiled) + wire(words))
    assert found == [words]


@given(st.binary(max_size=200))
def test_noise_gives_no_exception_and_the_next_frame_is_found(noise: bytes) -> None:
    decoder = PulseWords(4, Counter())
    decoder.feed(noise)
    decoder.feed(wire(b"\x01\x02\x03\x04"))
    assert decoder.feed(wire(b"\x05\x06\x07\x08"))[-1:] == [b"\x05\x06\x07\x08"]


def test_a_doubtful_pulse_ends_the_frame_and_is_counted() -> None:
    sent = bytearray(wire(b"\xff\x00\xaa\x55"))
    sent[20] = as_serial_port(line_levels(5))
    counters: Counter[str] = Counter()
    assert PulseWords(4, counters).feed(bytes(sent)) == []
    assert counters[DOUBTFUL] == 1


def test_too_many_words_are_no_frame() -> None:
    counters: Counter[str] = Counter()
    assert PulseWords(3, counters).feed(wire(b"\x01\x02\x03\x04")) == []
    assert PulseWords(5, counters).feed(wire(b"\x01\x02\x03\x04")) == []
    assert counters[WRONG_LENGTH] == 2


def test_the_slow_form_through_a_definition() -> None:
    table = stream_from(
        {
            "name": "slow",
            "line": {"bit_rate": 160},
            "frame": {"kind": "pulses"},
            "message": [
                {
                    "name": "words", "id": "12 34", "data_bytes": 3,
                    "row": [
                        {"name": "speed", "role": "rpm", "at": 0, "scale": 25, "unit": "rpm",
                         "min": 0, "max": 6375},
                        {"name": "duty", "role": "egr_pct", "at": 2, "scale": 0.5,
                         "unit": "%", "min": 0, "max": 100},
                    ],
                }
            ],
        },
        "x",
    )  # fmt: skip
    assert table.baud == 1600
    decoder = StreamDecoder(table)
    readings = decoder.feed(
        7, wire(bytes.fromhex("12 34 50 00 64"), bytes.fromhex("12 35 00 00 00"))
    )
    (reading,) = readings  # the second is another unit's
    assert [(s.channel, s.raw) for s in reading.samples] == [("rpm", 80), ("egr_pct", 100)]
    assert reading.unit == "12"
