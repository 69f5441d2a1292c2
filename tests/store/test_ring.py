from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sootsayer.store.chunk import Chunk, Column, encode
from sootsayer.store.ring import (
    BLOCK_BYTES,
    RING_BLOCKS,
    Done,
    Ring,
    RingFullError,
    missing,
    new_salt,
    ring_path,
    scan,
)
from sootsayer.store.ring_view import RingView


def chunk(number: int, samples: int = 10) -> Chunk:
    """Noise that does not pack, two seconds after the one before."""
    rng = np.random.default_rng(number)
    t_ms = number * 2_000 + 1 + np.arange(samples)
    raw = rng.integers(0, 1 << 60, samples)
    return encode([Column(1, t_ms, raw)], number * 2_000, number * 2_000 + 2_000)


@pytest.fixture
def done() -> Done:
    return Done(new_salt())


def test_what_was_appended_is_read_again_in_order(path: Path, done: Done) -> None:
    ring = Ring(ring_path(path), done)
    for number in range(1, 40):
        ring.append(chunk(number, samples=number * 40), {"health": f"{number}"})
    ring.close()
    again = Ring(ring_path(path), done)
    assert [record.chunk for record in again.records] == [chunk(n, n * 40) for n in range(1, 40)]
    assert [record.states["health"] for record in again.records] == [str(n) for n in range(1, 40)]
    assert again.number == 39
    again.close()


def test_a_block_that_counts_is_never_written_again(path: Path, done: Done) -> None:
    """Whatever is released meanwhile: fill, release some, fill; the rest must be there."""
    ring = Ring(ring_path(path), done)
    rng = np.random.default_rng(3)
    released = 0
    for _ in range(20):
        with pytest.raises(RingFullError):
            while True:
                ring.append(chunk(ring.number + 1, int(rng.integers(1, 2_000))), {})
        found = scan(ring_path(path).read_bytes(), done.salt)
        kept = {record.number for record in found.records}
        assert set(range(released + 1, ring.number + 1)) <= kept
        released += int(rng.integers(1, ring.number - released))
        ring.release(Done(done.salt, ring.number, released * 2_000 + 2_000))
    ring.close()
    assert ring_path(path).stat().st_size == RING_BLOCKS * BLOCK_BYTES


def test_a_record_that_is_missing_is_told_with_its_span(path: Path, done: Done) -> None:
    ring = Ring(ring_path(path), done)
    for number in range(1, 6):
        ring.append(chunk(number), {})
    ring.close()
    packed = bytearray(ring_path(path).read_bytes())
    packed[2 * BLOCK_BYTES : 3 * BLOCK_BYTES] = bytes(BLOCK_BYTES)
    ring_path(path).write_bytes(packed)
    again = Ring(ring_path(path), done)
    assert [record.number for record in again.records] == [1, 2, 4, 5]
    assert missing(again.records, done) == [(6_000, 8_000)]
    again.close()


def test_another_archives_ring_is_not_read(path: Path, done: Done) -> None:
    ring = Ring(ring_path(path), done)
    ring.append(chunk(1), {})
    ring.close()
    other = Ring(ring_path(path), Done(new_salt()))
    assert other.records == []
    other.append(chunk(1), {})
    other.close()


@settings(max_examples=60, deadline=None)
@given(at=st.integers(0, 12 * BLOCK_BYTES - 1), bit=st.integers(0, 7))
def test_a_flipped_bit_costs_one_record_and_never_changes_one(
    tmp_path_factory: pytest.TempPathFactory, at: int, bit: int
) -> None:
    done = Done("00112233445566ff")
    path = tmp_path_factory.mktemp("ring") / "a.db"
    ring = Ring(ring_path(path), done)
    for number in range(1, 7):
        ring.append(chunk(number, 900), {"health": "{}"})  # two blocks each
    ring.close()
    packed = bytearray(ring_path(path).read_bytes())
    whole = scan(bytes(packed), done.salt)
    packed[at] ^= 1 << bit
    found = scan(bytes(packed), done.salt)
    assert found.unreadable == 1
    assert [r for r in found.records if r not in whole.records] == []
    assert len(found.records) == 5


def test_a_view_follows_a_ring_that_goes_round(path: Path, done: Done) -> None:
    ring = Ring(ring_path(path), done)
    view = RingView(path)
    for number in range(1, 1_500):
        ring.append(chunk(number, 1 + number % 700), {})
        if number % 7 == 0:
            newest = Done(done.salt, number, (number - 100) * 2_000 + 2_000)
            ring.release(newest)
            tail = view.tail(view.look(done.salt), newest)
            stamps = tail.columns[0].t_ms
            first = max(1, number - 99)
            expected = [
                t for n in range(first, number + 1) for t in chunk(n, 1 + n % 700).start_ms + 1
                + np.arange(1 + n % 700)
            ] if number % 210 == 0 else None  # fmt: skip
            assert expected is None or stamps.tolist() == expected
            assert tail.end_ms == number * 2_000 + 2_000
    ring.remove()
    assert view.look(done.salt) == ()
