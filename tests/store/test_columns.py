from __future__ import annotations

import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.store.columns import MalformedError, Reader, Writer

INT64 = st.integers(-(1 << 63), (1 << 63) - 1)
COLUMNS = st.lists(st.lists(INT64, max_size=40), max_size=6)
SMOOTH = st.lists(st.lists(st.integers(-3, 3), min_size=1, max_size=200), min_size=1, max_size=4)


def packed(columns: list[list[int]]) -> bytes:
    writer = Writer()
    for column in columns:
        writer.column(np.array(column, np.int64))
    return b"".join(writer.take())


@given(COLUMNS)
def test_any_int64_comes_back(columns: list[list[int]]) -> None:
    reader = Reader(packed(columns))
    assert [reader.column(len(column)).tolist() for column in columns] == columns


@given(SMOOTH, st.data())
def test_stepping_over_columns_leaves_the_others_whole(
    columns: list[list[int]], data: st.DataObject
) -> None:
    wanted = [data.draw(st.booleans()) for _ in columns]
    reader = Reader(packed(columns))
    for column, is_wanted in zip(columns, wanted, strict=True):
        got = reader.column(len(column), is_wanted).tolist()
        assert got == (column if is_wanted else [])


@given(st.lists(INT64, max_size=20), st.lists(st.integers(0, (1 << 64) - 1), max_size=20))
def test_numbers_come_back_in_order(signed: list[int], unsigned: list[int]) -> None:
    writer = Writer()
    for value in signed:
        writer.signed(value)
    for value in unsigned:
        writer.number(value)
    reader = Reader(b"".join(writer.take()))
    assert [reader.signed() for _ in signed] == signed
    assert [reader.number() for _ in unsigned] == unsigned


@pytest.mark.parametrize(
    "column",
    [
        np.full(600, 117),  # constant
        np.arange(600) * 3 + 40,  # an even slope
        np.arange(600) ** 2,  # an even bend
        np.tile([0, 200], 300),  # back and forth
    ],
    ids=["constant", "slope", "bend", "two states"],
)
def test_what_can_be_foreseen_needs_few_bytes(column: np.ndarray) -> None:
    writer = Writer()
    writer.column(column.astype(np.int64))
    assert len(zlib.compress(b"".join(writer.take()))) <= 40  # of 4,800


def test_bytes_of_others_are_refused() -> None:
    with pytest.raises(MalformedError):
        Reader(b"\xff\xff\x00\x00")
    with pytest.raises(MalformedError):
        Reader((11).to_bytes(4, "little") + b"\xff" * 11).number()
