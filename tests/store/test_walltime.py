from __future__ import annotations

import pytest

from sootsayer.model import Anchor
from sootsayer.store.walltime import WallTimes, utc_text

FIRST = Anchor(1_000, 5_000, False, "system")


def test_without_any_anchor_log_time_stands_untrusted() -> None:
    assert WallTimes([], []).wall_ms(77) == (77, False)


def test_the_first_anchor_serves_until_a_trusted_one_comes() -> None:
    later = Anchor(2_000, 9_999, False, "system")
    assert WallTimes([0], [FIRST, later]).wall_ms(1_500) == (5_500, False)


def test_a_trusted_anchor_corrects_what_was_recorded_before_it() -> None:
    phone = Anchor(60_000, 1_764_000_060_000, True, "phone")
    times = WallTimes([0], [phone, FIRST])
    assert times.wall_ms(1_500) == (1_764_000_001_500, True)


def test_the_latest_trusted_anchor_wins() -> None:
    phone = Anchor(60_000, 1_000_060_000, True, "phone")
    ntp = Anchor(70_000, 2_000_070_000, True, "ntp")
    assert WallTimes([0], [ntp, phone]).wall_ms(0) == (2_000_000_000, True)


def test_one_boot_does_not_correct_another() -> None:
    """The second boot begins at 100,000; what happened while off is not known."""
    phone = Anchor(100_500, 9_000_000, True, "phone")
    times = WallTimes([0, 100_000], [FIRST, phone])
    assert times.wall_ms(99_999) == (103_999, False)
    assert times.wall_ms(100_000) == (8_999_500, True)


def test_readings_of_a_capture_have_no_boot() -> None:
    capture = Anchor(10, 20, True, "capture")
    assert WallTimes([1_000], [capture]).wall_ms(500) == (510, True)
    assert WallTimes([1_000], [capture]).wall_ms(1_500) == (1_500, False)


@pytest.mark.parametrize(
    ("wall_ms", "text"),
    [
        (0, "1970-01-01T00:00:00.000Z"),
        (951_782_400_007, "2000-02-29T00:00:00.007Z"),  # date -u -d @951782400
        (1_764_000_000_999, "2025-11-24T16:00:00.999Z"),  # date -u -d @1764000000
    ],
)
def test_utc_text(wall_ms: int, text: str) -> None:
    assert utc_text(wall_ms) == text
