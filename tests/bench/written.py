"""A day at 240 readings a second: what the recorder itself makes the disk write.

The recorder as shipped, with its own turns, rules, health, verdicts and saved state, reads an
invented car brought to 24 channels at 10 Hz; only the clock is ours, so that hours pass in a
minute. Counted below SQLite and the ring is every write, checkpoints too, rounded out to the 4 kB
blocks that a file system writes, a block once between two flushes. The shared memory of the
write-ahead log is never flushed, but the kernel writes what changed of it every thirty seconds;
that is added. Not counted is what the file system writes for itself.
"""

from __future__ import annotations

import tempfile
import threading
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from sootsayer import service
from sootsayer.clock import LogClock
from sootsayer.demo.recording import journeys, recorded
from sootsayer.live.intake import Intake, Taken
from sootsayer.model import Batch, Reading, Sample, SourceEvent, SourceState, SourceStatus
from sootsayer.pipeline import Pipeline
from sootsayer.service import Plan
from sootsayer.settings import shipped_settings
from sootsayer.store import schema
from sootsayer.store.archive import Archive
from sootsayer.store.device_key import DeviceKey
from sootsayer.store.reader import ArchiveReader
from sootsayer.vehicle import Vehicle
from store import powercut
from store.powercut import Disk, Operation

TRIPS = 5  # of 25 to 30 minutes, the engine off between them
CHANNELS = 24
PERIOD_MS = 100
REPLY = 6  # channels that one reply brings
BUDGET_GB = 0.25
DAY_S = 86_400
FLUSHER_S = 30  # Linux' dirty_expire_centisecs as shipped
BLOCK_BYTES = 4096
SHARED_BYTES = 8192  # pages of the log's index that a transaction changes
ESTATE = Vehicle("Blue estate, 2.4 litre", 2.4, 4, "petrol")


class Hand(LogClock):
    """A clock that stands until it is moved."""

    def __init__(self, offset_ms: int) -> None:
        super().__init__(offset_ms)
        self.at_ms = super().now_ms()

    def now_ms(self) -> int:
        return self.at_ms


@dataclass(slots=True)
class Seen:
    """What was watched while it ran."""

    start_ms: int = 0
    seconds: float = 0.0
    readings: int = 0
    blocks: int = 0
    flusher_turns: int = 0
    oldest_lost_s: float = 0.0
    commits: int = 0
    transactions: int = 0


class Road(Intake):
    """Waits by moving the clock, and hands over what the car said meanwhile."""

    def __init__(self, limit: int, said: Iterator[Reading], seen: Seen) -> None:
        super().__init__(limit)
        self._said = said
        self._next = next(said)
        self._seen = seen
        self.clock: Hand
        self.unsaved: deque[int] = deque()

    def take(self, wait_s: float) -> Taken:
        self.clock.at_ms += max(1, round(wait_s * 1000))
        try:
            while self._next.t_ms + self._seen.start_ms <= self.clock.at_ms:
                t_ms = self._next.t_ms + self._seen.start_ms
                self.put("adapter", Reading(t_ms, "7E8", self._next.samples))
                self.unsaved.append(t_ms)
                self._seen.readings += len(self._next.samples)
                self._next = next(self._said)
        except StopIteration:
            self.stop()
        if self.unsaved:
            age_s = (self.clock.at_ms - self.unsaved[0]) / 1000
            self._seen.oldest_lost_s = max(self._seen.oldest_lost_s, age_s)
        return super().take(0)


class Quiet:
    """A source that says only that it reads; the road brings the readings."""

    def __init__(self, clock: LogClock) -> None:
        self._clock = clock

    def run(self, emit: Callable[[SourceEvent], None], stop: threading.Event) -> None:
        emit(SourceStatus(self._clock.now_ms(), "adapter", SourceState.READING, "24 channels"))
        stop.wait()


def run() -> list[str]:
    said = [_dense(batch) for batch in recorded(journeys(TRIPS, seed=1))]
    seen = Seen()
    with tempfile.TemporaryDirectory() as folder:
        _record(Path(folder) / "archive.db", said, seen)
    a_day = DAY_S / seen.seconds
    flusher_bytes = seen.flusher_turns * SHARED_BYTES
    day_gb = (seen.blocks * BLOCK_BYTES + flusher_bytes) * a_day / 1e9
    verdict = "kept" if day_gb <= BUDGET_GB else "NOT KEPT"
    return [
        f"{seen.seconds / 3600:.2f} h of driving, {seen.readings / seen.seconds:.0f} readings a "
        f"second, a commit every {seen.seconds / seen.commits:.2f} s, "
        f"{seen.transactions * a_day:,.0f} transactions a day",
        f"a day of it: {day_gb:.3f} GB, {flusher_bytes * a_day / 1e9:.3f} of them the log's index; "
        f"budget {BUDGET_GB} GB: {verdict}",
        f"oldest reading that a power cut would have taken: {seen.oldest_lost_s:.2f} s, "
        f"promised {shipped_settings().recorder.commit_s:g} s",
    ]


def _record(path: Path, said: list[Batch], seen: Seen) -> None:
    settings = shipped_settings()
    road = Road(settings.recorder.queue_readings, _readings(said), seen)

    def make_clock(offset_ms: int) -> Hand:
        road.clock = Hand(offset_ms)
        seen.start_ms = road.clock.at_ms
        return road.clock

    plan = Plan(
        archive=path,
        sources={"adapter": Quiet},
        make_pipeline=lambda state: Pipeline(ESTATE),
        settings=settings,
        make_clock=make_clock,
    )
    disk = Disk()
    vfs = powercut.RecordingVFS(disk)
    try:
        archive = _watched(_opened(path, disk), road, seen, disk)
        with patch.object(service, "ArchiveReader", Nothing):
            session = service._Session(plan, archive, road)
        session.run()
        archive.close()
    finally:
        vfs.unregister()
    # The ring is made once, 2 MB of it, and not each hour.
    seen.blocks = blocks([o for o in disk.operations if len(o.packed) < 1_000_000])
    seen.seconds = (road.clock.at_ms - seen.start_ms) / 1000
    with ArchiveReader(path) as reader:
        assert reader.size()["samples"] == seen.readings, "readings are missing"


def _opened(path: Path, disk: Disk) -> Archive:
    Archive.open(path).close()
    connection: Any = powercut.Connection(path, disk)
    schema._set_pragmas(connection, path, schema.WRITER)
    lock_file = (path.parent / "lock").open("w")
    key = DeviceKey.beside(path)
    return Archive(path, connection, lock_file, key, powercut.ring_on(disk))


class Nothing:
    """What a reader answers of a new archive; this disk lets no second connection in."""

    def __init__(self, path: Path, frozen: bool) -> None:
        self.path = path

    def state(self, name: str) -> None:
        return None

    def span(self) -> None:
        return None

    def batches(self, start_ms: int, end_ms: int) -> Iterator[Batch]:
        return iter(())


def _watched(archive: Archive, road: Road, seen: Seen, disk: Disk) -> Archive:
    """The same archive, noting what each commit makes durable."""
    commit, turns = archive.commit, set[int]()

    def noted() -> None:
        before = len(disk.operations)
        commit()
        seen.commits += 1
        if any(o.file.endswith("-wal") for o in disk.operations[before:]):
            seen.transactions += 1
            turns.add(road.clock.at_ms // (FLUSHER_S * 1000))
            seen.flusher_turns = len(turns)
        while road.unsaved and road.unsaved[0] <= archive.upto_ms:
            road.unsaved.popleft()

    archive.commit = noted  # type: ignore[method-assign]
    return archive


def _readings(said: list[Batch]) -> Iterator[Reading]:
    """Replies of six channels, the pauses between trips taken out. Stamps from 0."""
    last_ms, moved_ms = None, 0
    for batch in said:
        columns: list[Any] = list(batch.series)[:CHANNELS]
        stamps = columns[0].t_ms
        if last_ms is None or stamps[0] - last_ms > 60_000:
            moved_ms += int(stamps[0]) - (0 if last_ms is None else last_ms) - 20_000
        last_ms = int(stamps[-1])
        for number, t_ms in enumerate((stamps - moved_ms).tolist()):
            for first in range(0, len(columns), REPLY):
                yield Reading(
                    t_ms + first,
                    "7E8",
                    tuple(
                        Sample(s.channel, int(s.raw[number]), s.scaling)
                        for s in columns[first : first + REPLY]
                    ),
                )


def _dense(batch: Batch) -> Batch:
    """The same minute as if every channel had been polled ten times a second."""
    series = sorted(batch.series, key=lambda s: -len(s.t_ms))[:CHANNELS]
    first = max(int(s.t_ms[0]) for s in series)
    t_ms = np.arange(first, batch.upto_ms + 1, PERIOD_MS)
    dense = tuple(
        type(s)(s.channel, s.scaling, t_ms, s.raw[np.searchsorted(s.t_ms, t_ms, "right") - 1])
        for s in series
    )
    return Batch(batch.upto_ms, dense)


def blocks(operations: list[Operation]) -> int:
    """Blocks written, each once between two flushes of its file."""
    count = 0
    dirty: dict[str, set[int]] = {}
    for operation in operations:
        if operation.kind == "write":
            first = operation.at // BLOCK_BYTES
            last = (operation.at + len(operation.packed) - 1) // BLOCK_BYTES
            dirty.setdefault(operation.file, set()).update(range(first, last + 1))
        elif operation.kind == "sync":
            count += len(dirty.pop(operation.file, ()))
    return count + sum(len(left) for left in dirty.values())
