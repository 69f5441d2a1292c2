from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.model import Anchor, Batch, Series
from sootsayer.store.archive import Archive
from sootsayer_web import create_app
from sootsayer_web.moments import iso
from sootsayer_web.trace import in_columns
from web_story import SCALINGS, Story

START_MS = 1_790_000_000_000


def trace(client: FlaskClient, **query: Any) -> dict[str, Any]:
    answer = client.get("/api/v1/trace", query_string=query)
    assert answer.status_code == 200, answer.get_json()
    return answer.get_json()["channels"][0]  # type: ignore[no-any-return]


def archive_of(path: Path, channel: str, t_ms: Any, raw: Any) -> FlaskClient:
    with Archive.open(path) as archive:
        archive.anchor(Anchor(START_MS, START_MS, True, "ntp"))
        series = Series(channel, SCALINGS[channel], np.asarray(t_ms), np.asarray(raw))
        archive.append(Batch(int(t_ms[-1]), (series,)))
    return create_app(path).test_client()


def test_one_spike_in_two_hours_is_never_lost(tmp_path: Path) -> None:
    t_ms = START_MS + np.arange(1, 72_001, dtype=np.int64) * 100
    raw = np.full(len(t_ms), 45, dtype=np.int64)
    raw[31_415] = 101
    client = archive_of(tmp_path / "a.db", "map", t_ms, raw)
    for width in (1, 7, 100, 4000):
        found = trace(client, channels="map", start=START_MS, end=int(t_ms[-1]), width=width)
        assert max(found["high"]) == 101 and min(found["low"]) == 45
        assert len(found["t_ms"]) <= width
    column = found["high"].index(101)
    assert abs(found["t_ms"][column] - int(t_ms[31_415])) <= found["column_ms"]


def test_empty_columns_are_left_out_and_none_is_no_zero(tmp_path: Path) -> None:
    t_ms = START_MS + np.concatenate([np.arange(1, 11), np.arange(91, 101)]) * 1000
    client = archive_of(tmp_path / "a.db", "ect", t_ms, np.full(20, 130))
    found = trace(client, channels="ect", start=START_MS, end=START_MS + 100_000, width=100)
    assert len(found["t_ms"]) == 20
    assert set(found["mean"]) == {90.0}  # raw 130 − 40 °C, SAE J1979 PID 05
    assert found["unit"] == "°C" and found["label"] == "Coolant temperature"


def test_moved_is_command_and_error_together(client: FlaskClient, story: Story) -> None:
    """actual = command·(1 + error/100), the definition of EGR error in SAE J1979 (PID 2D)."""
    end = story.now_ms // 100_000 * 100_000 - 30_000 - 5_000  # inside the last full opening
    start = end - 30_000
    question = {"start": start, "end": end, "width": 60}
    command, error, moved = (
        trace(client, channels=channel, **question)["mean"]
        for channel in ("egr_pct", "egr_err", "moved")
    )
    assert len(moved) == len(command) == 60
    expected = np.array(command) * (1 + np.array(error) / 100)
    assert np.allclose(moved, expected, atol=0.02) and min(moved) > 20


def test_iso_and_epoch_ask_the_same(client: FlaskClient, story: Story) -> None:
    start, end = story.now_ms - 60_000, story.now_ms
    by_number = trace(client, channels="rpm", start=start, end=end)
    assert by_number == trace(client, channels="rpm", start=iso(start), end=iso(end))
    assert len(by_number["t_ms"]) > 50


@given(
    st.lists(st.tuples(st.integers(1, 5000), st.floats(-1e6, 1e6)), max_size=60),
    st.integers(1, 90),
)
def test_columns_hold_what_falls_into_them(rows: list[tuple[int, float]], width: int) -> None:
    rows.sort(key=lambda row: row[0])
    t_ms = np.array([t for t, _ in rows], dtype=np.int64)
    values = np.array([value for _, value in rows])
    middle, low, high, mean = in_columns(t_ms, values, 0, 5000, width)
    assert len(middle) <= width and np.all(np.diff(middle) > 0)
    if rows:
        assert low.min() == values.min() and high.max() == values.max()
    edges = np.array([-(-5000 * i // width) for i in range(width + 1)])
    naive = [values[(t_ms > a) & (t_ms <= b)] for a, b in pairwise(edges)]
    assert len(middle) == sum(1 for inside in naive if len(inside))
    assert np.allclose(mean, [inside.mean() for inside in naive if len(inside)])


@pytest.mark.parametrize("width", [1, 5])
def test_no_values_no_columns(width: int) -> None:
    none = in_columns(np.empty(0, dtype=np.int64), np.empty(0), 0, 100, width)
    assert [len(column) for column in none] == [0, 0, 0, 0]
