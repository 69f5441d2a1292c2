"""A recorder in a process of its own that may be killed at any moment, for test_kill.py.

usage: recording.py ARCHIVE OPERATIONS

Feeds half-second batches that are a function of their stamp alone, says "had T" after each
append and "ack T SEEN" after each commit. After OPERATIONS steps of SQLite's machine it kills
itself, which lands inside a transaction; 0 means never.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from sootsayer.model import Alert, AlertState, Batch, Changes, IntArray, Link, Scaling, Series

START_MS = 1_764_000_000_000
BATCH_MS = 500
COMMIT_BATCHES = 4  # 2 s, the recorder's default
UNIT = Scaling("counts", 1.0, 0.0, "")
CHANNELS = ("rpm", "map", "egr_pct")


def stamps(upto_ms: int) -> IntArray:
    return np.arange(upto_ms - BATCH_MS + 50, upto_ms + 1, 50, dtype=np.int64)


def raws(channel: str, t_ms: IntArray) -> IntArray:
    return (t_ms // 50 * (7 + len(channel))) % 251


def batch(upto_ms: int) -> Batch:
    t_ms = stamps(upto_ms)
    return Batch(upto_ms, tuple(Series(c, UNIT, t_ms, raws(c, t_ms)) for c in CHANNELS))


def alert(seen: int, last_ms: int) -> Alert:
    return Alert(
        "F1", Link.FLOW, AlertState.OPEN, START_MS, START_MS, last_ms, None, seen, seen, 1.0,
        0.5, 0.5, "", "title", "text", ("map",),
    )  # fmt: skip


def uptos(after_ms: int) -> Iterator[int]:
    upto_ms = max(after_ms, START_MS) // BATCH_MS * BATCH_MS
    while True:
        upto_ms += BATCH_MS
        yield upto_ms


def say(line: str) -> None:
    """One write, so that a kill never leaves half a line."""
    os.write(1, f"{line}\n".encode())


def kill_after(operations: int) -> None:
    """Every connection from now on counts steps and kills this process at the given one."""
    connect = sqlite3.connect
    left = operations

    def step() -> int:
        nonlocal left
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        return 0

    def counted(*args: object, **named: object) -> sqlite3.Connection:
        connection = connect(*args, **named)  # type: ignore[arg-type]
        connection.set_progress_handler(step, 1)
        return connection

    sqlite3.connect = counted  # type: ignore[assignment]


def main(path: str, operations: str) -> None:
    if int(operations):
        kill_after(int(operations))
    from sootsayer.store.archive import Archive

    archive = Archive.open(Path(path))
    seen = 0
    for number, upto_ms in enumerate(uptos(archive.upto_ms), 1):
        archive.append(batch(upto_ms))
        say(f"had {upto_ms}")
        if number % COMMIT_BATCHES == 0:
            seen = (upto_ms - START_MS) // 1000
            archive.apply(Changes(alerts=(alert(seen, upto_ms),)))
            archive.commit()
            say(f"ack {upto_ms} {seen}")


if __name__ == "__main__":
    main(*sys.argv[1:])
