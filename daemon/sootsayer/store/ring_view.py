"""The ring as readers see it: looked at again for each question, read anew only where it grew."""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from sootsayer.store.chunk import Column
from sootsayer.store.minutes import Gathered, merge
from sootsayer.store.ring import (
    BLOCK_BYTES,
    EVERYTHING_MS,
    Block,
    Done,
    Record,
    read_block,
    ring_path,
    scan,
    unpack,
)


@dataclass(frozen=True, slots=True)
class Tail:
    """Readings in no chunk, one ascending column a channel; ``end_ms`` None without any record."""

    columns: Sequence[Column] = ()
    end_ms: int | None = None


class RingView:
    """Shared by the threads of one reader. Memory: the readings of ten minutes, packed and not."""

    def __init__(self, archive: Path) -> None:
        self._path = ring_path(archive)
        self._lock = threading.Lock()
        self._salt = ""
        self._inode = 0
        self._records: list[Record] = []
        self._blocks = self._next = 0
        self._tail_of: tuple[Done, int] | None = None  # and number of the newest record
        self._tail = Tail()
        self.unreadable = 0

    def look(self, salt: str) -> tuple[Record, ...]:
        """All whole records. To be called before the archive's snapshot is taken: what leaves
        the ring afterwards is then in that snapshot."""
        with self._lock:
            try:
                with self._path.open("rb", buffering=0) as file:
                    self._follow(file.fileno(), salt)
            except OSError:
                self._records, self._inode = [], 0  # none, or one that cannot be read
            return tuple(self._records)

    def torn(self, salt: str) -> int:
        """Blocks that were cut off while they were written, or are damaged."""
        if not self.unreadable:
            return 0
        with self._lock, suppress(OSError), self._path.open("rb", buffering=0) as file:
            # Read anew: one that was just being written is whole by now.
            self._read_all(file.fileno(), salt, os.fstat(file.fileno()).st_ino)
        return self.unreadable

    def tail(self, records: Sequence[Record], done: Done) -> Tail:
        """What of ``records`` is in no chunk."""
        needed = [record for record in records if done.needs(record)]
        if not needed:
            return Tail()
        newest = needed[-1].number
        with self._lock:
            if self._tail_of != (done, newest):
                self._tail = self._joined(needed, done)
                self._tail_of = done, newest
            if self._records and self._records[-1].number >= newest:
                self._records = [r for r in self._records if done.needs(r)] or self._records[-1:]
            return self._tail

    def _joined(self, needed: Sequence[Record], done: Done) -> Tail:
        """Grown from the last answer where that is its beginning."""
        gathered = Gathered()
        if self._tail_of and self._tail_of[0] == done and self._tail_of[1] < needed[-1].number:
            gathered.extend(self._tail.columns)
            needed = [record for record in needed if record.number > self._tail_of[1]]
            ends_ms = [self._tail.end_ms or -EVERYTHING_MS]
        else:
            ends_ms = []
        for record in needed:
            gathered.extend(done.left(record))
        return Tail(merge(gathered), max(ends_ms + [record.chunk.end_ms for record in needed]))

    def _follow(self, number: int, salt: str) -> None:
        status = os.fstat(number)
        if (status.st_ino, salt) != (self._inode, self._salt) or not self._records:
            return self._read_all(number, salt, status.st_ino)
        while True:
            block = self._block(number, self._next)
            if block is None or block.number < self._records[-1].number:
                return None  # unused yet, being written, or of the last time round
            if block.number != self._records[-1].number + 1 or block.part:
                return self._read_all(number, salt, status.st_ino)
            rest = [self._block(number, self._next + part) for part in range(1, block.parts)]
            whole = [part for part in (block, *rest) if part and part.number == block.number]
            if len(whole) < block.parts:
                return None
            self._records.append(unpack(block.number, b"".join(part.piece for part in whole)))
            self._next = (self._next + block.parts) % self._blocks
            del self._records[: -self._blocks]

    def _block(self, number: int, at: int) -> Block | None:
        packed = os.pread(number, BLOCK_BYTES, at % self._blocks * BLOCK_BYTES)
        return read_block(packed, bytes.fromhex(self._salt))

    def _read_all(self, number: int, salt: str, inode: int) -> None:
        found = scan(os.pread(number, os.fstat(number).st_size, 0), salt)
        self._salt, self._inode, self._blocks = salt, inode, found.blocks
        self._records, self._next = found.records, found.next_block
        self.unreadable = found.unreadable
