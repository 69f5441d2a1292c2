"""What is in no chunk yet: readings in memory and in the ring, and the states that ride along.

Pure bookkeeping beside the ring's file; the tables are the archive's.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from sootsayer.model import Gap
from sootsayer.store.chunk import Column, encode
from sootsayer.store.looking import DAMAGED
from sootsayer.store.minutes import Gathered, cut, merge
from sootsayer.store.ring import FLUSH_BLOCKS, Done, Ring, RingFile, missing, ring_path

BUFFER_MAX_SAMPLES = 1_000_000  # 16 MB, over an hour at 240 readings a second, when the disk fails
FLUSH_MAX_SAMPLES = 400_000  # 6 MB in memory; a chunk then comes before its ten minutes are over
DROPPED = "the disk refused, readings were dropped"


class Unchunked:
    """Of the archive at ``path``; ``done`` says what of its ring is in chunks already."""

    def __init__(
        self, path: Path, done: Done, upto_ms: int, open_ring: Callable[[Path], RingFile]
    ) -> None:
        self._path = ring_path(path)
        self._open_ring = open_ring
        self._fresh = Gathered()  # in no file yet
        self._kept = Gathered()  # in the ring
        self._recorded_ms = upto_ms  # end of the newest record
        self._ringless = False  # there is a ring that cannot be used
        self.light: dict[str, str] = {}  # states that the next record takes along
        self.light_kept: dict[str, str] = {}  # in the ring, newer than in their table
        self.done = done
        self.ring: Ring | None = None
        self.oldest_ms: int | None = None
        self.newest_ms = upto_ms

    def take_up(self) -> list[Gap]:
        """What a recorder that was cut off, or is being continued, left in its ring."""
        if not self._path.exists():
            return []
        end_ms = self._recorded_ms
        try:
            self.ring = Ring(self._path, self.done, self._open_ring)
        except OSError as trouble:
            self._ringless = True  # left as it is; recording goes on, by chunks alone
            return [Gap(end_ms, end_ms, f"the ring cannot be read: {trouble}")]
        for record in self.ring.records:
            for column in self.done.left(record):
                self._gather(column, self._kept)
            if record.number > self.done.number:
                self.light_kept |= record.states
            self._recorded_ms = max(self._recorded_ms, record.chunk.end_ms)
        gaps = [Gap(*span_ms, DAMAGED) for span_ms in missing(self.ring.records, self.done)]
        self.ring.records.clear()
        return gaps

    @property
    def recorded_ms(self) -> int:
        """End of the newest record, or up to when anything is stored."""
        return self._recorded_ms

    @property
    def fresh_samples(self) -> int:
        return self._fresh.samples

    @property
    def number(self) -> int:
        """Of the newest record; what is in chunks covers the ring up to one of these."""
        return self.done.number if self.ring is None else self.ring.number

    def is_crowded(self) -> bool:
        """Whether something must become a chunk before its time."""
        many = self._kept.samples + self._fresh.samples > FLUSH_MAX_SAMPLES
        return many or (self.ring is not None and self.ring.free < FLUSH_BLOCKS)

    def is_empty(self) -> bool:
        light = self.light or self.light_kept
        return self.oldest_ms is None and not light and self.number == self.done.number

    def add(self, column: Column) -> None:
        """Ascending readings that have just come."""
        self._gather(column, self._fresh)

    def needs_record(self) -> bool:
        return bool(self._fresh.samples or self.light)

    def record(self, upto_ms: int) -> bool:
        """Fresh readings and light states durable in one record; False if the ring takes none."""
        if self._ringless:
            return False
        columns = merge(self._fresh)
        first_ms = min((int(column.t_ms[0]) for column in columns), default=upto_ms) - 1
        start_ms, end_ms = min(self._recorded_ms, first_ms), max(upto_ms, self.newest_ms)
        try:
            if self.ring is None:
                self.ring = Ring(self._path, self.done, self._open_ring)
            self.ring.append(encode(columns, start_ms, end_ms), self.light)
        except OSError:
            return False
        self._recorded_ms = max(self._recorded_ms, end_ms)
        self._kept.extend(self._fresh.all())
        self._fresh = Gathered()
        self.light_kept |= self.light
        self.light = {}
        return True

    def ripe(self, upto_ms: int) -> tuple[list[Column], list[Column]]:
        """All readings up to ``upto_ms``, and those after it."""
        return cut(merge(self._kept, self._fresh), upto_ms)

    def chunked(self, done: Done, later: list[Column]) -> None:
        """All but ``later`` is in chunks, and the light states are in their table."""
        self._kept = Gathered()
        self._kept.extend(later)
        self._fresh = Gathered()
        self.light, self.light_kept = {}, {}
        self.oldest_ms = min((int(column.t_ms[0]) for column in later), default=None)
        self.done = done
        if self.ring is not None:
            self.ring.release(done)

    def drop_oldest(self) -> Gap | None:
        """Memory is finite: when the disk keeps refusing, the older half becomes a gap."""
        if self._fresh.samples <= BUFFER_MAX_SAMPLES:
            return None
        columns = merge(self._fresh)
        first_ms = min(int(column.t_ms[0]) for column in columns)
        last_ms = max(int(column.t_ms[-1]) for column in columns)
        middle_ms = (first_ms + last_ms) // 2
        self._fresh = Gathered()
        self._fresh.extend(cut(columns, middle_ms)[1])
        return Gap(first_ms - 1, middle_ms, DROPPED)

    def remove_ring(self) -> None:
        """What is left of it is in chunks."""
        if self.ring is not None:
            with suppress(OSError):
                self.ring.remove()
            self.ring = None

    def close(self) -> None:
        if self.ring is not None:
            self.ring.close()

    def _gather(self, column: Column, into: Gathered) -> None:
        into.add(column)
        first_ms, last_ms = int(column.t_ms.min()), int(column.t_ms.max())
        self.newest_ms = max(self.newest_ms, last_ms)
        self.oldest_ms = first_ms if self.oldest_ms is None else min(self.oldest_ms, first_ms)
