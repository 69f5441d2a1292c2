"""Roads are such as people drive, and drivers follow them as people do."""

from collections.abc import Mapping

import numpy as np

from demo_drive import Record
from sootsayer.demo.drive import commute, errand


def test_a_commute_has_town_highway_stops_and_the_key_off_at_the_end() -> None:
    road = commute(5, 25.0)
    driving = road.speed_km_h[(road.ignition > 0) & (road.speed_km_h > 0)]
    assert 24 * 60 < road.seconds < 31 * 60
    assert driving.max() > 95 and np.median(driving) > 40
    standing = (road.speed_km_h == 0) & (road.engaged > 0)
    assert np.count_nonzero(np.diff(standing.astype(int)) == 1) >= 3
    assert road.ignition[0] == 1 and road.run[0] == 0 and road.ignition[-1] == 0
    assert np.abs(road.slope).max() <= 0.07


def test_nobody_accelerates_or_brakes_beyond_reason() -> None:
    for seed in range(12):
        change = np.diff(commute(seed, 20.0).speed_km_h) / 3.6
        assert change.max() < 2.6 and change.min() > -3.0


def test_the_same_seed_lays_the_same_road() -> None:
    np.testing.assert_array_equal(commute(3).columns(), commute(3).columns())
    assert not np.array_equal(commute(3).columns()[:500], commute(4).columns()[:500])
    np.testing.assert_array_equal(errand(3).columns(), errand(3).columns())


def test_drivers_keep_to_the_road(drive_of: Mapping[str, Record]) -> None:
    road = commute(7, 20.0)
    wanted = np.repeat(road.speed_km_h, 5)
    for name in ("sound", "other sound"):
        got = drive_of[name]["vss"][: len(wanted)]
        assert np.abs(got - wanted).mean() < 3.0


def test_a_sound_trip_has_fifteen_to_sixty_openings(drive_of: Mapping[str, Record]) -> None:
    for name in ("sound", "other sound", "by pressure", "choked"):
        assert 15 <= drive_of[name].openings <= 60


def test_gas_is_only_asked_for_warm_moving_at_part_throttle(
    drive_of: Mapping[str, Record],
) -> None:
    for name in ("sound", "other sound", "by pressure", "leaks"):
        car = drive_of[name]
        asked = car["egr_pct"] > 5.0
        assert car["ect"][asked].min() > 60.0
        assert car["vss"][asked].min() > 25.0
        assert car["tp_r"][asked].max() < 42.0
        assert car["egr_pct"].max() < 45.0
        assert (car["egr_pct"][car.idle] == 0.0).all()
        cut = (car["fuelsys1"] == 4) & (np.roll(car["fuelsys1"], 3) == 4)
        assert (car["egr_pct"][cut & (car["tp_r"] < 4.0)] < 5.0).all()
        assert 0.3 < asked[car.cruise].mean() < 0.95


def test_cruise_holds_the_throttle_still_for_seconds(drive_of: Mapping[str, Record]) -> None:
    car = drive_of["sound"]
    moved = np.abs(car["tp"][10:] - car["tp"][:-10]) > 1.0
    assert moved[car.cruise[10:]].mean() < 0.6
