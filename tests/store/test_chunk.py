from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.store import chunk as chunk_module
from sootsayer.store.chunk import Chunk, ChunkDamagedError, Column, compress, decode, encode

INT64 = st.integers(-(1 << 63), (1 << 63) - 1)
MINUTE = 1_764_000_000_000


@st.composite
def columns(draw: st.DrawFn, stamps: st.SearchStrategy[int] = INT64) -> list[Column]:
    """Channels in groups that share their stamps, as replies of several channels do."""
    groups = draw(st.lists(st.lists(stamps, max_size=30), max_size=3))
    result: list[Column] = []
    for group in groups:
        t_ms = np.array(sorted(group), np.int64)
        for _ in range(draw(st.integers(1, 3))):
            raw = draw(st.lists(INT64, min_size=len(group), max_size=len(group)))
            result.append(Column(7 * len(result) + 1, t_ms, np.array(raw, np.int64)))
    return result


def comparable(found: list[Column]) -> dict[int, tuple[list[int], list[int]]]:
    return {c.channel: (c.t_ms.tolist(), c.raw.tolist()) for c in found if len(c.t_ms)}


@given(columns())
def test_any_stamps_and_raws_come_back(given_columns: list[Column]) -> None:
    packed = encode(given_columns, MINUTE, MINUTE + 60_000)
    assert packed.samples == sum(len(column.t_ms) for column in given_columns)
    assert comparable(decode(packed)) == comparable(given_columns)


@given(columns(st.integers(MINUTE + 1, MINUTE + 60_000)), st.data())
def test_some_channels_come_back_alone(given_columns: list[Column], data: st.DataObject) -> None:
    wanted = {c.channel for c in given_columns if data.draw(st.booleans())}
    packed = encode(given_columns, MINUTE, MINUTE + 60_000)
    every = comparable(given_columns)
    assert comparable(decode(packed, wanted)) == {n: every[n] for n in wanted if n in every}


@given(columns(st.integers(MINUTE + 1, MINUTE + 60_000)), st.data())
def test_a_turned_bit_is_always_found(given_columns: list[Column], data: st.DataObject) -> None:
    packed = encode(given_columns, MINUTE, MINUTE + 60_000)
    bit = data.draw(st.integers(0, 8 * len(packed.body) - 1))
    body = bytearray(packed.body)
    body[bit // 8] ^= 1 << bit % 8
    with pytest.raises(ChunkDamagedError):
        decode(replace(packed, body=bytes(body)))


@pytest.mark.parametrize("name", ["start_ms", "end_ms", "samples", "codec", "crc"])
def test_a_changed_number_beside_the_body_is_found(name: str) -> None:
    packed = encode([Column(1, np.array([MINUTE + 5]), np.array([3]))], MINUTE, MINUTE + 60_000)
    with pytest.raises(ChunkDamagedError):
        decode(replace(packed, **{name: getattr(packed, name) ^ 1}))


@given(st.binary(max_size=200))
def test_noise_with_a_right_check_sum_is_damage_and_nothing_else(noise: bytes) -> None:
    for body in (noise, compress([noise])):
        crc = chunk_module._crc(0, 60_000, 1, chunk_module.CODEC_ZSTD, body)
        try:
            decode(Chunk(0, 60_000, 1, chunk_module.CODEC_ZSTD, crc, body))
        except ChunkDamagedError:
            continue


def test_channels_of_one_reply_share_their_stamps() -> None:
    rng = np.random.default_rng(3)
    t_ms = MINUTE + np.sort(rng.choice(60_000, 600, replace=False)) + 1
    one = [Column(1, t_ms, np.full(600, 9))]
    six = [Column(number, t_ms, np.full(600, 9)) for number in range(1, 7)]
    alone, together = encode(one, MINUTE, MINUTE + 60_000), encode(six, MINUTE, MINUTE + 60_000)
    assert len(together.body) < len(alone.body) + 60


def test_jitter_costs_what_it_weighs_and_not_more() -> None:
    """Whole milliseconds, evenly spread over 16, carry 4 bits; a tenth more for the coder."""
    rng = np.random.default_rng(4)
    t_ms = MINUTE + 100 * np.arange(600) + rng.integers(1, 17, 600)
    body = encode([Column(1, t_ms, np.zeros(600, np.int64))], MINUTE, MINUTE + 60_000).body
    assert 8 * len(body) / 600 < 4 * 1.1 + 8 * 40 / 600  # 40 bytes of heads
