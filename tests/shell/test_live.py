"""The parts of a running recorder, one by one."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from freezegun import freeze_time

from sootsayer.clock import LogClock
from sootsayer.live.clock_watch import ClockWatch
from sootsayer.live.coverage import Coverage
from sootsayer.live.health import Health
from sootsayer.live.intake import Intake
from sootsayer.live.source_thread import SourceThread
from sootsayer.model import (
    Batch,
    Gap,
    Reading,
    Sample,
    Scaling,
    Series,
    SootsayerError,
    SourceEvent,
    SourceState,
    SourceStatus,
)
from sootsayer.settings import RecorderSettings, shipped_settings

RPM = Scaling("rpm/4", 0.25, 0.0, "rpm")


def reading(t_ms: int, samples: int = 1) -> Reading:
    return Reading(t_ms, "7E8", tuple(Sample(f"c{i}", 5, RPM) for i in range(samples)))


def status(t_ms: int, state: SourceState, reason: str = "") -> SourceStatus:
    return SourceStatus(t_ms, "adapter", state, reason)


@pytest.fixture
def settings() -> RecorderSettings:
    return shipped_settings().recorder


# ---------------------------------------------------------------- intake


def test_what_was_put_is_taken_once_and_in_order() -> None:
    intake = Intake(10)
    intake.put("a", reading(1))
    intake.put("b", status(2, SourceState.SILENT))
    assert [event.t_ms for _, event in intake.take(0).events] == [1, 2]
    assert intake.take(0).events == ()


def test_an_overflow_is_counted_as_a_gap_and_news_are_kept() -> None:
    intake = Intake(2)
    for t_ms in (10, 20, 30, 40, 50):
        intake.put("a", reading(t_ms))
    intake.put("a", status(60, SourceState.UNPLUGGED))
    taken = intake.take(0)
    assert [event.t_ms for _, event in taken.events] == [10, 20, 60]
    assert taken.lost == Gap(29, 50, "recorder fell behind")  # start < t <= end holds 30, 40, 50
    assert taken.lost_readings == 3
    assert intake.take(0).lost is None


def test_a_request_wakes_the_pipeline_and_gets_its_answer(
    in_background: Callable[[Callable[[], object]], threading.Thread],
) -> None:
    intake = Intake(10)
    answers: list[object] = []
    asking = in_background(lambda: answers.append(intake.ask({"request": "status"})))
    (asked,) = intake.take(20).requests  # 20 s would be far beyond the deadline of join
    asked.answer.set_result({"state": "reading"})
    asking.join(5)
    assert answers == [{"state": "reading"}]


def test_stop_is_told_with_what_is_left() -> None:
    intake = Intake(10)
    intake.put("a", reading(1))
    intake.stop()
    taken = intake.take(20)
    assert taken.stopping and len(taken.events) == 1


# ---------------------------------------------------------------- source threads


class Flaky:
    """Fails as often as told, each time in the told way, then reads until it is stopped."""

    def __init__(self, *troubles: Exception) -> None:
        self._troubles = list(troubles)
        self.reading = threading.Event()

    def run(self, emit: Callable[[SourceEvent], None], stop: threading.Event) -> None:
        if self._troubles:
            raise self._troubles.pop(0)
        emit(reading(1))
        self.reading.set()
        stop.wait()


def quick(settings: RecorderSettings) -> RecorderSettings:
    import dataclasses

    return dataclasses.replace(settings, retry_first_s=0.05, retry_longest_s=0.1)


def test_a_source_in_trouble_is_tried_again_and_only_changes_are_told(
    settings: RecorderSettings,
) -> None:
    intake = Intake(10)
    unplugged = SootsayerError("port /dev/x is gone; plug it in")
    source = Flaky(unplugged, unplugged, OSError(5, "Input/output error"))
    thread = SourceThread("adapter", source, intake, LogClock(0), quick(settings))
    thread.start()
    assert source.reading.wait(20)
    thread.stop(5)
    told = [event for _, event in intake.take(0).events if isinstance(event, SourceStatus)]
    assert [event.reason for event in told] == [
        "port /dev/x is gone; plug it in",
        "[Errno 5] Input/output error",
    ]
    assert {event.state for event in told} == {SourceState.UNPLUGGED}


def test_a_mistake_of_ours_ends_the_recorder(settings: RecorderSettings) -> None:
    intake = Intake(10)
    mistake = ZeroDivisionError("ours")
    thread = SourceThread("adapter", Flaky(mistake), intake, LogClock(0), quick(settings))
    thread.start()
    assert intake.take(20).failure is mistake
    thread.stop(5)


# ---------------------------------------------------------------- gaps


def test_ordinary_polling_is_no_gap() -> None:
    coverage = Coverage(5000, None, "")
    assert [coverage.reading(t) for t in (0, 1000, 6000)] == [None, None, None]


def test_a_gap_carries_the_first_reason_after_the_last_reading() -> None:
    coverage = Coverage(5000, None, "")
    coverage.reading(1000)
    coverage.status(status(2000, SourceState.KEY_OFF, "voltage fell"))
    assert coverage.reading(20_000) is None  # the adapter's own voltage, not the car
    coverage.status(status(60_000, SourceState.CONNECTING, "trying again"))
    coverage.status(status(61_000, SourceState.READING))
    assert coverage.reading(61_000) == Gap(1000, 60_999, "key off: voltage fell")
    assert coverage.reading(70_000) == Gap(61_000, 69_999, "no answer")


def test_the_time_before_a_start_is_a_gap_with_its_own_reason() -> None:
    coverage = Coverage(5000, 1000, "recorder was stopped")
    coverage.status(status(90_000, SourceState.CONNECTING, "opening the port"))
    coverage.status(status(98_000, SourceState.READING))
    assert coverage.reading(99_000) == Gap(1000, 98_999, "recorder was stopped")


def test_even_a_short_stop_is_a_gap() -> None:
    coverage = Coverage(5000, 1000, "recorder was stopped")
    assert coverage.reading(2000) == Gap(1000, 1999, "recorder was stopped")
    assert coverage.reading(3000) is None


def test_a_batch_of_arrays_has_the_gaps_that_single_readings_have() -> None:
    stamps = [*range(1000, 20_000, 1000), 40_000, 41_000, 60_000]
    news = (
        status(50_000, SourceState.KEY_OFF, "voltage fell"),
        status(59_500, SourceState.READING),
    )
    rpm = Series("rpm", RPM, np.array(stamps), np.zeros(len(stamps), np.int64))
    kpa = Series("map", RPM, np.array([19_500]), np.zeros(1, np.int64))
    coverage = Coverage(5000, None, "")
    assert coverage.batch(Batch(60_000, (rpm, kpa), news)) == [
        Gap(19_500, 39_999, "no answer"),
        Gap(41_000, 59_999, "key off: voltage fell"),
    ]
    assert coverage.batch(Batch(70_000)) == []


# ---------------------------------------------------------------- wall clock


def test_a_step_and_the_first_time_server_are_anchored_once(tmp_path: Path) -> None:
    synchronised = tmp_path / "synchronized"
    # freezegun leaves CLOCK_BOOTTIME alone, so boot time runs on while wall time is ours.
    with freeze_time("2026-01-10 08:00:00", tick=True) as wall:
        watch = ClockWatch(LogClock(0), 1000, synchronised)
        assert watch.look() is None
        wall.tick(timedelta(seconds=0.5))  # slewing, not a step
        assert watch.look() is None
        wall.move_to("2026-11-24 12:00:00")
        synchronised.touch()
        anchor = watch.look()
        assert anchor is not None and anchor.trusted and anchor.source == "ntp"
        assert abs(anchor.wall_ms - 1_795_521_600_000) < 1000  # date -u -d @1795521600
        assert watch.look() is None
        wall.move_to("2026-11-24 11:00:00")  # stepped backward by hand
        back = watch.look()
        assert back is not None and back.wall_ms < anchor.wall_ms and back.t_ms >= anchor.t_ms


# ---------------------------------------------------------------- health


def test_rates_count_readings_of_the_last_ten_seconds(tmp_path: Path) -> None:
    health = Health(tmp_path / "archive.db", {"port": "/dev/x"}, start_ms=0)
    for t_ms in range(0, 30_000, 100):
        health.event("adapter", reading(t_ms, samples=4))
    assert health.rates(29_950) == {"adapter": 40.0}  # 10 replies a second of 4 channels each
    assert health.rates(60_000) == {"adapter": 0.0}


def test_health_tells_since_when_and_what_the_board_says(tmp_path: Path) -> None:
    thermometer = tmp_path / "temp"
    thermometer.write_text("48312\n")
    health = Health(tmp_path / "archive.db", {"port": "/dev/x"}, 5, thermometer)
    assert health.event("adapter", status(100, SourceState.READING, "40 channels"))
    assert not health.event("adapter", status(200, SourceState.READING, "40 channels"))
    note = health.as_json(1000)
    assert (note["state"], note["since_ms"], note["board_temp_c"]) == ("reading", 100, 48.312)
    assert note["port"] == "/dev/x" and note["disk_free_bytes"] > 0
    thermometer.unlink()
    assert health.as_json(1000)["board_temp_c"] is None
