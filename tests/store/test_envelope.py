from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sootsayer.model import Batch, FloatArray, IntArray, Scaling, Series
from sootsayer.store.archive import Archive
from sootsayer.store.envelope import Envelope, column_edges
from sootsayer.store.reader import ArchiveReader

START = 1_764_000_000_000 // 3_600_000 * 3_600_000
HOUR = 3_600_000
SCALINGS = (Scaling("a", 0.25, -40.0, "°C"), Scaling("falling", -0.5, 3.0, "°C"))
FEW = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))


@given(st.integers(0, 1 << 45), st.integers(1, 1 << 40), st.integers(1, 3000))
def test_edges_cover_the_span_in_at_most_width_columns(
    start_ms: int, length_ms: int, width: int
) -> None:
    edges = column_edges(start_ms, start_ms + length_ms, width)
    assert edges[0] == start_ms
    assert edges[-1] == start_ms + length_ms
    assert (np.diff(edges) > 0).all()
    assert len(edges) <= width + 1
    if length_ms > width * 10_000:
        assert (edges[1:-1] % 10_000 == 0).all()


def test_an_empty_span_has_no_columns(path: Path) -> None:
    Archive.open(path).close()
    with ArchiveReader(path) as reader:
        assert len(reader.envelope("rpm", 5, 5, 100).t_ms) == 0
        nothing = reader.envelope("rpm", 0, 1000, 100)
        assert len(nothing.t_ms) == 100
        assert np.isnan(nothing.low).all()
        assert nothing.count.sum() == 0


@st.composite
def stretches(draw: st.DrawFn) -> list[tuple[IntArray, IntArray]]:
    """Stamps and raws of one to three channels of readings over up to three hours, with holes."""
    result = []
    for _ in range(draw(st.integers(1, 3))):
        seed = draw(st.integers(0, 1 << 30))
        count = draw(st.integers(1, 3000))
        rng = np.random.default_rng(seed)
        length_ms = draw(st.integers(60_000, 3 * HOUR))
        t_ms = START + np.sort(rng.integers(1, length_ms + 1, count))
        hole = draw(st.integers(0, length_ms))
        kept = (t_ms - START < hole) | (t_ms - START > hole + draw(st.integers(0, HOUR)))
        raw = rng.integers(0, 256, count)
        raw[rng.integers(0, count)] = draw(st.sampled_from([65_535, -9_000, 1 << 61, 7]))
        result.append((t_ms[kept], raw[kept]))
    return result


@FEW
@given(
    parts=stretches(),
    width=st.integers(1, 1200),
    span=st.tuples(st.integers(-HOUR, 3 * HOUR), st.integers(1, 4 * HOUR)),
    cut_ms=st.integers(2_000, 2 * HOUR),
)
def test_equals_brute_force(
    tmp_path_factory: pytest.TempPathFactory,
    parts: list[tuple[IntArray, IntArray]],
    width: int,
    span: tuple[int, int],
    cut_ms: int,
) -> None:
    """Several scalings of one channel, the newest readings still in the tail, levels for hours
    that are over; any zoom gives what looking at every reading gives."""
    path = tmp_path_factory.mktemp("envelope") / "archive.db"
    archive = Archive.open(path)
    for upto_ms in range(START + cut_ms, START + 3 * HOUR + cut_ms, cut_ms):
        archive.append(Batch(upto_ms, tuple(_between(parts, upto_ms - cut_ms, upto_ms))))
        archive.commit()
    start_ms, end_ms = START + span[0], START + span[0] + span[1]
    with ArchiveReader(path) as reader:
        _compare(reader.envelope("ect", start_ms, end_ms, width), parts)
    archive.close()


def _between(parts: list[tuple[IntArray, IntArray]], start_ms: int, end_ms: int) -> list[Series]:
    result = []
    for number, (t_ms, raw) in enumerate(parts):
        inside = (t_ms > start_ms) & (t_ms <= end_ms)
        scaling = SCALINGS[number % 2]
        result.append(Series("ect", scaling, t_ms[inside], raw[inside]))
    return result


def _compare(got: Envelope, parts: list[tuple[IntArray, IntArray]]) -> None:
    t_ms = np.concatenate([t_ms for t_ms, _ in parts])
    values: FloatArray = np.concatenate(
        [
            raw * SCALINGS[number % 2].scale + SCALINGS[number % 2].offset
            for number, (_, raw) in enumerate(parts)
        ]
    )
    for column, (low_ms, high_ms) in enumerate(zip(got.edges_ms, got.edges_ms[1:], strict=False)):
        inside = values[(t_ms > low_ms) & (t_ms <= high_ms)]
        assert got.count[column] == len(inside)
        if len(inside):
            assert got.low[column] == inside.min()
            assert got.high[column] == inside.max()
            assert got.mean[column] == pytest.approx(inside.mean(), rel=1e-12, abs=1e-9)
        else:
            assert np.isnan([got.low[column], got.high[column], got.mean[column]]).all()


@pytest.mark.parametrize("width", [1, 7, 1000])
def test_one_spike_in_three_hours_is_never_lost(
    archive: Archive, path: Path, series: Callable[..., Series], width: int
) -> None:
    t_ms = np.arange(START + 100, START + 3 * HOUR + 1, 100)
    raw = np.full(len(t_ms), 3_000)
    raw[71_234] = 9_000
    archive.append(Batch(START + 3 * HOUR, (series("rpm", t_ms, raw),)))
    archive.commit()
    with ArchiveReader(path) as reader:
        wide = reader.envelope("rpm", START, START + 3 * HOUR, width)
    (column,) = np.flatnonzero(wide.high == 9_000 * 0.25)
    assert wide.edges_ms[column] < t_ms[71_234] <= wide.edges_ms[column + 1]


def test_hours_that_are_over_are_answered_without_their_readings(
    archive: Archive, path: Path, series: Callable[..., Series]
) -> None:
    """Seen by taking the readings away: the level alone gives the inner columns."""
    t_ms = np.arange(START + 1000, START + 2 * HOUR + 1, 1000)
    archive.append(Batch(START + 2 * HOUR, (series("rpm", t_ms, t_ms % 977),)))
    archive.commit()
    with ArchiveReader(path) as reader:
        before = reader.envelope("rpm", START + 4_321, START + 2 * HOUR, 100)
        archive._connection.execute("DELETE FROM chunk WHERE start_ms > ?", (START,))
        after = reader.envelope("rpm", START + 4_321, START + 2 * HOUR, 100)
    assert (before.low == after.low).all()
    assert (before.count == after.count).all()


def test_a_damaged_level_is_replaced_by_readings(
    archive: Archive, path: Path, series: Callable[..., Series]
) -> None:
    t_ms = np.arange(START + 1000, START + 2 * HOUR + 1, 1000)
    archive.append(Batch(START + 2 * HOUR, (series("rpm", t_ms, t_ms % 977),)))
    archive.commit()
    with ArchiveReader(path) as reader:
        before = reader.envelope("rpm", START, START + 2 * HOUR, 50)
        archive._connection.execute(
            "UPDATE level10 SET body = zeroblob(length(body)) WHERE start_ms = ?", (START,)
        )
        after = reader.envelope("rpm", START, START + 2 * HOUR, 50)
    assert (before.mean == after.mean).all()
