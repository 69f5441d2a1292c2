"""The control unit's own monitor: seldom, and only the second failing trip lights the lamp."""

import numpy as np

from sootsayer.demo.engine_control import Sensed
from sootsayer.demo.monitor import CODES, FLOW, Memory, Outcome, TripMonitor
from sootsayer.model import CodeStatus

PASSED = [Outcome.PASSED] * len(CODES)
NOT_RUN = [Outcome.NOT_RUN] * len(CODES)


def failing(code: str) -> list[Outcome]:
    return [Outcome.FAILED if own == code else Outcome.PASSED for own in CODES]


def test_first_failing_trip_is_pending_second_confirms() -> None:
    memory = Memory().failed("P0401")
    assert memory.pending == ("P0401",) and not memory.confirmed and not memory.lamp
    memory = memory.end_of_trip(failing("P0401")).failed("P0401")
    assert memory.confirmed == ("P0401",) and memory.lamp
    assert memory.codes(CodeStatus.PERMANENT) == ("P0401",)


def test_a_passing_trip_between_takes_the_pending_code_back() -> None:
    memory = Memory().failed("P0401").end_of_trip(failing("P0401")).end_of_trip(PASSED)
    assert memory == Memory()
    assert not memory.failed("P0401").lamp


def test_a_trip_without_the_test_changes_nothing() -> None:
    memory = Memory().failed("P0401").end_of_trip(failing("P0401"))
    assert memory.end_of_trip(NOT_RUN) == memory


def test_three_passing_trips_put_the_lamp_out_and_keep_the_code() -> None:
    memory = Memory(("P0401",), ("P0401",))
    for _ in range(3):
        assert memory.lamp
        memory = memory.end_of_trip(PASSED)
    assert not memory.lamp and memory.confirmed == ("P0401",)


def sensed(
    speed_km_h: float, intake_kpa: float, pedal: float = 0.2, run_s: float = 900.0
) -> Sensed:
    one = np.ones(1)
    return Sensed(
        rpm=2000.0 * one, intake_kpa=intake_kpa * one, air_g_s=15.0 * one, coolant_c=90.0 * one,
        intake_c=25.0 * one, speed_km_h=speed_km_h * one, pedal=pedal * one, run_s=run_s * one,
    )  # fmt: skip


def watched(step_kpa: float, seconds: int = 30, **conditions: float) -> TripMonitor:
    """Steady cruise in which shutting the valve lowers the pressure by ``step_kpa``."""
    monitor, one = TripMonitor(1), np.ones(1)
    for second in range(seconds):
        now = sensed(90.0, 60.0 - step_kpa * monitor.forced_shut[0], **conditions)
        asked = 0.35 * one * ~monitor.forced_shut
        monitor.second(one * second, now, asked, asked, one, 0.0 * one, one > 0)
    return monitor


def test_pressure_that_falls_passes_and_that_stays_fails() -> None:
    assert watched(8.0).outcome[FLOW, 0] == Outcome.PASSED
    assert watched(0.2).outcome[FLOW, 0] == Outcome.FAILED


def test_it_tests_once_and_not_before_its_time() -> None:
    assert watched(0.2, run_s=200.0).outcome[FLOW, 0] == Outcome.NOT_RUN
    assert watched(0.2, seconds=6).outcome[FLOW, 0] == Outcome.NOT_RUN
    monitor = watched(8.0)
    before = monitor.done_s[FLOW, 0]
    one = np.ones(1)
    for second in range(30, 90):
        monitor.second(
            one * second, sensed(90.0, 60.0), 0.35 * one, 0.35 * one, one, 0 * one, one > 0
        )
        assert not monitor.forced_shut[0]
    assert monitor.done_s[FLOW, 0] == before


def test_an_unsettled_test_is_thrown_away() -> None:
    monitor, one = TripMonitor(1), np.ones(1)
    speed = 90.0
    for second in range(25):
        speed += 2.0 * monitor.forced_shut[0]
        asked = 0.35 * one * ~monitor.forced_shut
        monitor.second(one * second, sensed(speed, 60.0), asked, asked, one, 0.0 * one, one > 0)
    assert monitor.outcome[FLOW, 0] == Outcome.NOT_RUN
