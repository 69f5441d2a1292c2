"""A real recorder beside the dashboard, in a boot that began with a stale clock."""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sootsayer import clock
from sootsayer.clock import Deadline, LogClock
from sootsayer.control import ask
from sootsayer.model import Batch, Changes, SootsayerError, SourceState, SourceStatus, Trip
from sootsayer.pipeline import Pipeline
from sootsayer.service import Plan, Recorder
from sootsayer.settings import shipped_settings
from sootsayer.store.archive import Archive
from sootsayer.vehicle import Vehicle
from web_story import MINUTE_MS, alert, readings

STALE_MS = 3 * 86_400_000 + 5 * 3_600_000  # by how much the recorder's clock is behind


@dataclass(frozen=True)
class Beside:
    """``trip_ms``: when the trip really began, by the clock of this machine."""

    archive: Path
    control: Path
    synchronised: Path
    trip_ms: int


class Quiet:
    """A source with nothing to read."""

    def __init__(self, clock: LogClock) -> None:
        self._clock = clock

    def run(self, emit: Any, stop: threading.Event) -> None:
        emit(SourceStatus(self._clock.now_ms(), "adapter", SourceState.KEY_OFF, "engine off"))
        stop.wait()


def drive_under_a_stale_clock(path: Path, trusted: bool = False) -> int:
    """An archive of this boot with one trip and one alert; the real start of the trip."""
    boottime_ms, wall_ms = clock.boottime_ms(), clock.wall_ms()
    with Archive.open(path) as archive:
        began_ms = 40 * MINUTE_MS
        said_ms = wall_ms - began_ms - (0 if trusted else STALE_MS)
        offset_ms = archive.begin_boot(
            clock.boot_id(),
            boottime_ms - began_ms,
            said_ms,
            trusted,
            "ntp" if trusted else "system",
        )
        now_ms = boottime_ms + offset_ms
        start_ms, end_ms = now_ms - 35 * MINUTE_MS, now_ms - 15 * MINUTE_MS
        archive.append(Batch(end_ms, readings(start_ms, end_ms)))
        archive.apply(
            Changes(
                alerts=(alert(start_ms + MINUTE_MS, end_ms - MINUTE_MS),),
                trips=(Trip(1, start_ms, end_ms, False, 1200.0, 22.4, 12),),
            )
        )
        archive.commit()
    return wall_ms - 35 * MINUTE_MS


@contextmanager
def recording(folder: Path, trusted: bool = False) -> Iterator[Beside]:
    """The recorder on such an archive, until the end."""
    archive, control = folder / "archive.db", folder / "control.sock"
    beside = Beside(
        archive, control, folder / "synchronised", drive_under_a_stale_clock(archive, trusted)
    )
    if trusted:
        beside.synchronised.touch()
    shipped = shipped_settings()
    settings = dataclasses.replace(
        shipped,
        recorder=dataclasses.replace(shipped.recorder, batch_s=0.05),
        clock=dataclasses.replace(shipped.clock, synchronised_file=str(beside.synchronised)),
    )
    pipeline = Pipeline(Vehicle.unknown())
    recorder = Recorder(
        Plan(archive, {"adapter": Quiet}, lambda _: pipeline, settings, control=control)
    )
    thread = threading.Thread(target=recorder.run)
    thread.start()
    try:
        _answers(control)
        yield beside
    finally:
        recorder.stop()
        thread.join(20)
        assert not thread.is_alive(), "the recorder did not end"


def _answers(control: Path) -> None:
    deadline, pause = Deadline(20), threading.Event()
    while not deadline.passed():
        try:
            ask(control, "status")
            return
        except SootsayerError:
            pause.wait(0.02)
    raise AssertionError("the recorder did not come up")
