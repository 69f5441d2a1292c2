"""Counts over a trip, and what a tester's clearing takes away."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

from sootsayer.demo.cars import CarSpec
from sootsayer.demo.drive import commute
from sootsayer.demo.encoding import UNREADY, unready_after
from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.demo.journeys import (
    KEPT_MS,
    Driven,
    Journey,
    Stored,
    drive,
    remembered,
    status_columns,
)
from sootsayer.demo.ledger import Counting, Ledger
from sootsayer.demo.live import LiveCar
from sootsayer.demo.monitor import FLOW, Outcome
from sootsayer.demo.recording import journeys
from sootsayer.demo.replay import ReplayedCar
from sootsayer.model import CodeStatus


def counted(seconds: int, **changed: float) -> Ledger:
    counting = Counting(Ledger().cleared())
    values = {"rpm": 2000.0, "speed_km_h": 72.0, "coolant_c": 80.0, "air_g_s": 14.6} | changed
    for _ in range(seconds):
        counting.second(**values, lamp=False)
    return counting.ledger()


def test_distance_time_and_fuel() -> None:
    ledger = counted(600)
    assert round(ledger.clear_km, 6) == 12.0 and ledger.clear_min == 10.0
    # 14.6 g of air a second burn a gram of petrol: 600 g, 0.745 kg a litre
    assert round(Ledger().fuel_l - ledger.fuel_l, 3) == round(600 / 745, 3)
    assert counted(600, rpm=0.0) == Ledger().cleared()


def test_a_warm_up_is_a_rise_to_warm_and_counts_once_a_trip() -> None:
    counting = Counting(Ledger().cleared())
    for coolant_c in (50.0, 69.0, 71.0, 73.0, 60.0, 90.0):
        counting.second(900.0, 0.0, coolant_c, 3.0, False)
    assert counting.ledger().warm_ups == 1
    counting.key_off()
    for coolant_c in (70.0, 91.0):  # started warm: no rise of 22 K
        counting.second(900.0, 0.0, coolant_c, 3.0, False)
    assert counting.ledger().warm_ups == 1 and counting.ledger().ignitions == 1206


def test_a_trip_counts_in_use_only_with_time_speed_and_idle() -> None:
    before = Ledger().conditions
    assert counted(599).conditions == counted(2000).conditions == before  # never idles
    counting = Counting(Ledger())
    for second in range(700):
        counting.second(1500.0, 0.0 if second < 31 else 60.0, 80.0, 9.0, False)
    assert counting.ledger().conditions == before + 1


def test_distance_with_the_lamp_on_is_apart() -> None:
    counting = Counting(Ledger().cleared())
    for second in range(100):
        counting.second(2000.0, 36.0, 80.0, 9.0, second >= 50)
    assert round(counting.ledger().lamp_km, 6) == 0.5


# ---------------------------------------------------------------- over trips


@lru_cache(maxsize=1)
def choked_trips() -> list[Driven]:
    return drive(journeys(3, faults=[Fault(FaultKind.PASSAGE_CHOKED)], minutes=18.0))


def flow_step(trip: Driven, stored: list[Stored]) -> Stored:
    flow, flow_ms = trip.tests[FLOW]
    assert flow is Outcome.FAILED
    return next(step for step in stored if step.t_ms == flow_ms)


def test_the_counts_of_one_trip_go_on_in_the_next() -> None:
    trips = choked_trips()
    through = remembered(trips)
    distances = [status_columns(t, s)["clr_dist"] for t, s in zip(trips, through, strict=True)]
    for km in distances:
        assert (km[1:] >= km[:-1]).all() and km[-1] - km[0] > 8
    for before, after in pairwise(distances):
        assert before[-1] <= after[0] <= before[-1] + 1
    ignitions = [stored[-1].memory.ledger.ignitions for stored in through]
    assert ignitions == [ignitions[0], ignitions[0] + 1, ignitions[0] + 2]


def test_the_flow_test_leaves_its_result_and_the_moment_it_failed() -> None:
    trips = choked_trips()
    trip, stored = trips[0], remembered(trips)[0]
    step = flow_step(trip, stored)
    frame, fell = step.memory.frame, step.memory.results.fell_kpa
    assert frame is not None and frame.code == "P0401" and fell is not None
    assert fell[0] < fell[1]
    at = (step.t_ms - trip.start_ms) // KEPT_MS
    assert frame.raw["rpm"] == trip.column("rpm")[at]
    assert stored[0].memory.results.fell_kpa is None
    before = stored[0].memory.ledger.flow_tests
    assert step.memory.ledger.flow_tests == before + 1


def test_clearing_takes_codes_and_counts_and_leaves_permanent_codes() -> None:
    trips = choked_trips()
    third = trips[2]
    cleared_ms = third.start_ms + 60_000
    *_, stored = remembered(trips, cleared_ms=[cleared_ms])
    before, after = stored[0].memory, next(s for s in stored if s.t_ms == cleared_ms).memory
    assert before.confirmed == ("P0401",) and before.frame is not None and before.lamp
    assert not after.confirmed and not after.pending and after.frame is None and not after.lamp
    assert after.codes(CodeStatus.PERMANENT) == ("P0401",)
    columns = status_columns(third, stored)
    at = 60_000 // KEPT_MS
    for channel in ("clr_dist", "clr_time", "warm_ups"):
        assert columns[channel][at - 6] > 0 == columns[channel][at + 6]
    assert columns["mil_time"][at + 6] == 0
    assert columns["monitor_status"][at + 6] & 0xFF == UNREADY
    # the flow test of this trip still runs, and readiness of recirculation comes back with it
    assert not flow_step(third, stored).memory.unready & 0x80


def test_between_two_trips_it_can_be_cleared_too() -> None:
    trips = choked_trips()
    stored = remembered(trips, cleared_ms=[trips[1].key_off_ms + 5_000])
    assert stored[1][-1].memory.pending == ("P0401",)
    assert stored[2][0].memory.pending == () and stored[2][0].memory.ledger.clear_km == 0.0


def test_slow_monitors_need_three_warm_ups() -> None:
    warm = Ledger(clear_min=5.0, warm_ups=3)
    assert unready_after(UNREADY, False, Ledger(clear_min=1.0, warm_ups=0)) == UNREADY
    assert unready_after(UNREADY, True, warm) == 0
    assert unready_after(UNREADY, False, warm) == 0x80


def test_the_live_car_counts_like_the_recorded_one() -> None:
    spec = CarSpec(start_ms=1_764_000_000_000)
    road = commute(5, 3.0)
    car = LiveCar(spec, lambda: road)
    (trip,) = drive([Journey(spec, road)])
    replayed = ReplayedCar([trip])
    for t_ms in range(0, 150_000, 30_000):
        for one in (car, replayed):
            one.advance(spec.start_ms + t_ms)
        for channel in ("clr_dist", "clr_time", "fli", "warm_ups"):
            assert abs(car.moment().raw[channel] - replayed.moment().raw[channel]) <= 1
    car.clear_codes()
    assert car.moment().raw["clr_dist"] == 0 and car.memory.unready == UNREADY
