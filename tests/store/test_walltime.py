from __future__ import annotations

from itertools import pairwise

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


DAY = 86_400_000
NOON = 1_794_909_600_000  # date -u -d 2026-11-17T10:00Z


def test_a_boot_that_starts_in_1970_lies_after_the_one_before_and_before_the_next() -> None:
    """Trusted until noon + 1 h; a boot in 1970 of 30 min; the next trusted from noon + 4 h."""
    hour = 3_600_000
    starts = [NOON, NOON + hour + 1, NOON + 4 * hour]
    ends = [NOON + hour, NOON + hour + 1 + hour // 2, None]
    times = WallTimes(
        starts,
        [
            Anchor(NOON, NOON, True, "ntp"),
            Anchor(NOON + hour + 1, 5_000, False, "system"),
            Anchor(NOON + 4 * hour, NOON + 4 * hour, True, "ntp"),
        ],
        ends,
    )
    t_ms = NOON + hour + 1 + 60_000  # a minute after its start
    assert times.wall_ms(t_ms) == (NOON + hour + 60_000, False)
    assert times.bounds_ms(t_ms) == (NOON + hour + 60_000, NOON + 4 * hour - hour // 2 + 60_000)
    assert times.bounds_ms(NOON + 7) == (NOON + 7, NOON + 7)


def test_a_boot_whose_clock_ran_ahead_is_moved_before_the_next() -> None:
    ahead = NOON + 30 * DAY
    times = WallTimes(
        [ahead, ahead + 2_000_000],
        [
            Anchor(ahead, ahead, False, "system"),
            Anchor(ahead + 2_000_000, NOON, True, "phone"),
        ],
        [ahead + 1_000_000, None],
    )
    assert times.wall_ms(ahead + 1_000_000) == (NOON, False)
    assert times.bounds_ms(ahead) == (None, NOON - 1_000_000)


def test_a_stale_start_inside_its_bounds_is_left_as_it_was_said() -> None:
    starts, ends = [0, 5_000_000], [1_000_000, None]
    anchors = [Anchor(0, NOON, True, "ntp"), Anchor(5_000_000, NOON + DAY, False, "system")]
    times = WallTimes(starts, anchors, ends)
    assert times.wall_ms(5_000_000) == (NOON + DAY, False)
    assert times.bounds_ms(5_000_000) == (NOON + 1_000_000, None)


def test_several_boots_without_trust_keep_their_order() -> None:
    starts = [0, 1_000_001, 1_500_002, 9_000_000]
    ends = [1_000_000, 1_500_001, 2_000_000, None]
    anchors = [
        Anchor(0, NOON, True, "ntp"),
        Anchor(1_000_001, 0, False, "system"),
        Anchor(1_500_002, 0, False, "system"),
        Anchor(9_000_000, NOON + DAY, True, "ntp"),
    ]
    times = WallTimes(starts, anchors, ends)
    walls = [
        times.wall_ms(t)[0] for t in (0, 1_000_000, 1_000_001, 1_500_001, 1_500_002, 9_000_000)
    ]
    assert walls == sorted(walls)
    earliest, latest = times.bounds_ms(1_500_002)
    assert earliest == NOON + 1_500_000
    assert latest == NOON + DAY - 499_998


def test_daylight_saving_leaves_no_trace_in_utc() -> None:
    """Europe changed on 2026-10-25 at 01:00 UTC: the hour before and the hour after, second by
    second, are 7,200 different moments (date -u -d 2026-10-25T00:00Z is 1792886400)."""
    start = 1_792_886_400_000
    times = WallTimes([start], [Anchor(start, start, True, "ntp")])
    texts = [utc_text(times.wall_ms(start + s * 1000)[0]) for s in range(7_200)]
    assert texts == sorted(set(texts))
    assert (texts[0], texts[-1]) == ("2026-10-25T00:00:00.000Z", "2026-10-25T01:59:59.000Z")


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


HOUR = 3_600_000


def drifting(t_ms: int, ppm: float = 50.0) -> int:
    """What the time is when a crystal that began right at noon is slow by ``ppm`` millionths."""
    return NOON + round(t_ms * (1 + ppm * 1e-6))


@pytest.mark.parametrize("ppm", [50.0, -50.0, 100.0])
def test_between_two_trusted_anchors_a_crystals_drift_is_spread_evenly(ppm: float) -> None:
    """50 millionths are 1.8 s in ten hours; with an anchor each four hours nothing is off."""
    anchors = [Anchor(h * HOUR, drifting(h * HOUR, ppm), True, "ntp") for h in (0, 4, 8, 10)]
    times = WallTimes([0], [Anchor(0, 5, False, "system"), *anchors], [10 * HOUR])
    for t_ms in range(0, 10 * HOUR, 77_777):
        wall_ms, sure = times.wall_ms(t_ms)
        assert sure and abs(wall_ms - drifting(t_ms, ppm)) <= 2
    # With the last anchor alone the beginning would be a second off or more.
    alone = WallTimes([0], [anchors[-1]], [10 * HOUR])
    assert abs(alone.wall_ms(0)[0] - NOON) >= 1_000


def test_time_ascends_over_anchors_that_drift_and_nothing_is_guessed_beyond_them() -> None:
    anchors = [Anchor(h * HOUR, drifting(h * HOUR, -150), True, "ntp") for h in (2, 3, 7)]
    times = WallTimes([0], anchors, [9 * HOUR])
    walls = [times.wall_ms(t_ms)[0] for t_ms in range(0, 9 * HOUR, 1_000)]
    assert all(b > a for a, b in pairwise(walls))
    assert times.wall_ms(HOUR)[0] == anchors[0].wall_ms - HOUR
    assert times.wall_ms(8 * HOUR)[0] == anchors[-1].wall_ms + HOUR


def test_a_step_between_two_trusted_anchors_is_no_drift() -> None:
    """The first was wrong by three seconds in an hour: the later one corrects all before it."""
    wrong = Anchor(0, NOON - 3_000, True, "ntp")
    right = Anchor(HOUR, NOON + HOUR, True, "ntp")
    assert WallTimes([0], [wrong, right]).wall_ms(HOUR // 2) == (NOON + HOUR // 2, True)


def test_a_phone_and_a_time_server_are_not_mixed() -> None:
    phone = Anchor(0, NOON - 500, True, "phone")  # a second beside, as phones are
    right = Anchor(HOUR, NOON + HOUR, True, "ntp")
    assert WallTimes([0], [phone, right]).wall_ms(0) == (NOON, True)
