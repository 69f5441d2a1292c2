"""A day at 240 readings a second, durable every two seconds: what the disk has to write.

Counted below SQLite and the ring, every write rounded out to the 4 kB blocks that a file system
writes, a block once between two flushes. One hour is recorded and the chunk and the level that
follow from it; a day is twenty-four of it.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from readings import drive
from storage import START_MS, cut_every

from sootsayer.store import schema
from sootsayer.store.archive import Archive
from store import powercut
from store.powercut import Disk, Operation

MINUTES = 60
BLOCK_BYTES = 4096
BUDGET_GB = 0.25
HEALTH = {"state": "reading", "reason": "", "counters": {"asked": 123_456, "answered": 123_450}}


def run() -> list[str]:
    """The interval that is promised, and the one at which the recorder's turns of half a second
    make it commit."""
    return [line(2_000), line(1_500)]


def line(step_ms: int) -> str:
    operations = recorded(step_ms)
    written = blocks(operations) * BLOCK_BYTES * 24 * 60 // MINUTES
    plain = sum(len(o.packed) for o in operations) * 24 * 60 // MINUTES
    syncs = sum(o.kind == "sync" for o in operations) * 24 * 60 // MINUTES
    return (
        f"every {step_ms / 1000} s: {written / 1e9:.3f} GB a day in blocks of 4 kB "
        f"({plain / 1e9:.3f} GB as asked for), {syncs:,} flushes; budget {BUDGET_GB} GB"
    )


def recorded(step_ms: int) -> list[Operation]:
    disk = Disk()
    vfs = powercut.RecordingVFS(disk)
    try:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "archive.db"
            Archive.open(path).close()
            connection: Any = powercut.Connection(path, disk)
            schema._set_pragmas(connection, path, schema.WRITER)
            lock_file = (Path(folder) / "lock").open("w")
            archive = Archive(path, connection, lock_file, None, powercut.ring_on(disk))
            for batch in drive(START_MS, MINUTES + 1):
                for piece in cut_every(batch, step_ms):
                    archive.append(piece)
                    archive.put_state("health", HEALTH)
                    archive.commit()
            # The ring is made once a start, 2 MB; an hour of it is not a twenty-fourth.
            done = [o for o in disk.operations if len(o.packed) < 1_000_000]
            archive.close()
            return done
    finally:
        vfs.unregister()


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
