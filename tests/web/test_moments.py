from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.model import SootsayerError
from sootsayer_web.moments import LATEST_MS, iso, parse_moment, say_clock, say_moment

# 2026-11-24T07:49:00Z is 1,795,506,540 s after 1970, by Python's own calendar.
MORNING_MS = round(datetime(2026, 11, 24, 7, 49, tzinfo=UTC).timestamp() * 1000)


def test_written_as_utc() -> None:
    assert iso(MORNING_MS) == "2026-11-24T07:49:00.000Z"
    assert iso(0) == "1970-01-01T00:00:00.000Z"
    assert say_moment(MORNING_MS) == "24 Nov 07:49 UTC"
    assert say_clock(MORNING_MS + 30_500) == "07:49:30 UTC"


@pytest.mark.parametrize(
    "text",
    ["2026-11-24T07:49:00Z", "2026-11-24T07:49:00", "2026-11-24 07:49", "2026-11-24T08:49+01:00",
     "2026-11-24T08:49:00 01:00", str(MORNING_MS)],
)  # fmt: skip
def test_the_same_moment_in_every_way_of_writing(text: str) -> None:
    assert parse_moment(text, "start") == MORNING_MS


@given(st.integers(0, LATEST_MS))
def test_what_is_written_can_be_read(wall_ms: int) -> None:
    assert parse_moment(iso(wall_ms), "start") == wall_ms
    assert parse_moment(str(wall_ms), "start") == wall_ms


@given(st.datetimes(datetime(1970, 1, 2), datetime(9999, 12, 30)), st.integers(-14, 14))
def test_any_zone(moment: datetime, hours: int) -> None:
    moment = moment.replace(microsecond=0, tzinfo=timezone(timedelta(hours=hours)))
    expected = (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)
    assert parse_moment(moment.isoformat(), "start") == expected


@pytest.mark.parametrize("text", ["", "soon", "-5", "2026-13-01", "99999999999999999999", "1e9"])
def test_refused_by_name_and_value(text: str) -> None:
    with pytest.raises(SootsayerError, match="end is") as refused:
        parse_moment(text, "end")
    assert repr(text) in str(refused.value) and "2026-11-24T07:49:00Z" in str(refused.value)


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        assert 0 <= parse_moment(text, "start") <= LATEST_MS
    except SootsayerError as refused:
        assert "start" in str(refused)
