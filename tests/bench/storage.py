"""Two hours of 24 channels at 10 Hz, and a month of it: ours against what pip can bring.

Every way stores the same readings in a process of its own. Bytes a sample, speed and memory with
a commit a minute; what the disk is made to write with one every two seconds, as Linux counts it
for the process (``write_bytes`` of /proc/self/io), where the way can do that: a file that is
whole only when it is closed is written once. Then one channel's hour is read back and 1,000
columns of an hour, a day and a month are plotted, and all answers are held against one another.
A quarter of an hour on a quiet machine of two cores, most of it for the month of the slow ways.
"""

from __future__ import annotations

import multiprocessing
import os
import resource
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from peers import Mdf4, Ours, Parquet, PythonCan, Rows, Span, SqliteUtils, Way
from readings import drive

from sootsayer.model import Batch, Series

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
START_MS = 1_764_000_000_000 // DAY_MS * DAY_MS
DAYS = 30
MORNING_MS, EVENING_MS = START_MS + 7 * HOUR_MS, START_MS + 17 * HOUR_MS
COMMIT_MS = 2_000  # the recorder's default
READS = 5
MONTH_READS, MONTH_READS_S = 40, 20.0  # so often, or for so long
MONTH_P95_MS = 100.0
MOST_BYTES = 0.6  # a sample
SPANS: dict[str, Span] = {
    "hour": (MORNING_MS, MORNING_MS + HOUR_MS),
    "day": (START_MS, START_MS + DAY_MS),
    "month": (START_MS, START_MS + DAYS * DAY_MS),
}


@dataclass(slots=True)
class Measured:
    samples: int = 0
    store_s: float = 0.0
    size_bytes: int = 0
    memory_mb: float = 0.0
    written_bytes: int = 0
    read_s: float = 0.0
    plot_s: dict[str, float] = field(default_factory=dict)
    month_p95_s: float = 0.0
    answers: list[bytes] = field(default_factory=list)  # the same for all


Make = Callable[[Path], Way]


def sqlite_blf(path: Path) -> Way:
    return PythonCan(path.with_suffix(".blf"), "BLFWriter", "BLFReader")


def rows_indexed(path: Path) -> Way:
    return Rows(path, index=True)


def mdf4(path: Path) -> Way:
    return Mdf4(path.with_suffix(".mf4"))


# name: how it is made, whether it can be durable every two seconds
WAYS: dict[str, tuple[Make, bool]] = {
    "ours": (Ours, True),
    "a row a reading": (Rows, True),
    "a row a reading, indexed": (rows_indexed, True),
    "sqlite-utils insert_all": (SqliteUtils, True),
    "python-can SQLite writer": (PythonCan, False),
    "python-can BLF writer": (sqlite_blf, False),
    "Parquet, delta, zstd": (Parquet, False),
    "MDF 4, transposed": (mdf4, False),
}


def run() -> list[str]:
    lines = [
        f"{'':<25}{'B/sample':>9}{'written':>9}{'samples/s':>11}{'memory':>8}"
        f"{'read 1 h':>11}{''.join(f'{column:>12}' for column in SPANS)}"
    ]
    found: dict[str, Measured] = {}
    for name, (make, often) in WAYS.items():
        it = found[name] = measured(make, often)
        if it.answers != found["ours"].answers:
            raise AssertionError(f"{name} answers something else")
        lines.append(_line(name, it))
    ours = found.pop("ours")
    size = ours.size_bytes / ours.samples
    smallest = min(it.size_bytes / it.samples for it in found.values())
    kept = size <= MOST_BYTES and size < smallest and ours.month_p95_s * 1000 <= MONTH_P95_MS
    return [
        *lines,
        f"written: bytes a sample that the disk must write, durable every {COMMIT_MS // 1000} s "
        "where that can be (python-can and the last two: at their own pace or once)",
        f"month: {DAYS} days of two hours",
        f"ours {size:.3f} B a sample (wanted {MOST_BYTES}, smallest peer {smallest:.3f}), month "
        f"p95 {ours.month_p95_s * 1000:.0f} ms (wanted {MONTH_P95_MS:.0f}): "
        f"{'kept' if kept else 'NOT KEPT'}",
    ]


def _line(name: str, it: Measured) -> str:
    plots = "".join(f"{it.plot_s[span] * 1000:>9.0f} ms" for span in SPANS)
    written = f"{it.written_bytes / it.samples:>9.2f}" if it.written_bytes else f"{'–':>9}"
    return (
        f"{name:<25}{it.size_bytes / it.samples:>9.3f}{written}"
        f"{it.samples / it.store_s:>11,.0f}{it.memory_mb:>5.0f} MB"
        f"{it.read_s * 1000:>8.1f} ms{plots}"
    )


def measured(make: Make, often: bool) -> Measured:
    it: Measured = _alone(by_the_minute, make)
    it.written_bytes = _alone(written_often, make, often)
    it.plot_s["month"], it.month_p95_s, answer = _alone(over_a_month, make)
    it.answers.append(answer)
    return it


def by_the_minute(make: Make, folder: Path) -> Measured:
    batches = day()
    before_mb = _peak_mb()
    way = make(folder / "readings.db")
    started_s = time.perf_counter()
    way.store(iter(batches))
    it = Measured(
        samples=sum(batch.samples for batch in batches),
        store_s=time.perf_counter() - started_s,
        size_bytes=way.path.stat().st_size,
        memory_mb=_peak_mb() - before_mb,
    )
    slow = isinstance(way, PythonCan)  # it reads the whole file each time
    it.read_s, raw = _median(lambda: way.read(SPANS["hour"]), 1 if slow else READS)
    it.answers.append(raw.astype(np.int64).tobytes())
    for span in ("hour", "day"):
        it.plot_s[span], answer = _median(partial(way.plot, SPANS[span]), 1 if slow else READS)
        it.answers.append(_plain(answer))
    return it


def written_often(make: Make, often: bool, folder: Path) -> int:
    batches = day()
    pieces = (piece for b in batches for piece in cut_every(b, COMMIT_MS)) if often else batches
    way = make(folder / "readings.db")
    if isinstance(way, Ours):
        _small_pages(way)
    before = _written()
    way.store(iter(pieces))
    os.sync()
    return _written() - before


def over_a_month(make: Make, folder: Path) -> tuple[float, float, bytes]:
    """Seconds that a plot took, in the middle and at the 95th percentile, and what it shows."""
    way = make(folder / "readings.db")
    way.store(later(b, n * DAY_MS) for n in range(DAYS) for b in day())
    spent_s: list[float] = []
    while len(spent_s) < MONTH_READS and sum(spent_s) < MONTH_READS_S:
        started_s = time.perf_counter()
        answer = way.plot(SPANS["month"])
        spent_s.append(time.perf_counter() - started_s)
    return float(np.median(spent_s)), float(np.percentile(spent_s, 95)), _plain(answer)


# ---------------------------------------------------------------- readings

BATCHES: list[Batch] = []  # made once a process


def day() -> list[Batch]:
    """A drive in the morning and another in the evening."""
    if not BATCHES:
        BATCHES.extend(drive(MORNING_MS, 60, 1) + drive(EVENING_MS, 60, 2))
    return BATCHES


def later(batch: Batch, by_ms: int) -> Batch:
    moved = (Series(s.channel, s.scaling, s.t_ms + by_ms, s.raw) for s in batch.series)
    return Batch(batch.upto_ms + by_ms, tuple(moved))


def cut_every(batch: Batch, step_ms: int) -> Iterator[Batch]:
    """A batch of one minute in pieces."""
    for upto_ms in range(batch.upto_ms - 60_000 + step_ms, batch.upto_ms + 1, step_ms):
        pieces = []
        for series in batch.series:
            where = slice(*np.searchsorted(series.t_ms, [upto_ms - step_ms, upto_ms], "right"))
            kind = type(series)
            pieces.append(
                kind(series.channel, series.scaling, series.t_ms[where], series.raw[where])
            )
        yield Batch(upto_ms, tuple(pieces))


# ---------------------------------------------------------------- measuring


def _alone(work: Callable[..., Any], *words: Any) -> Any:
    """In a fresh process and folder, so that its peak of memory and its bytes are its own."""
    fresh = multiprocessing.get_context("spawn")
    with (
        tempfile.TemporaryDirectory() as folder,
        ProcessPoolExecutor(1, mp_context=fresh) as pool,
    ):
        return pool.submit(work, *words, Path(folder)).result()


def _small_pages(ours: Ours) -> None:
    """The ring, made in one go, lies in large pages of the kernel's cache, and Linux counts all of
    such a page when one block of it changes. Let it be read again, block by block."""
    from sootsayer.store.ring import Ring

    made = Ring._made

    def small(ring: Ring) -> Any:
        scan = made(ring)
        number = ring._file._number
        os.fsync(number)
        os.posix_fadvise(number, 0, 0, os.POSIX_FADV_DONTNEED)
        return scan

    Ring._made = small  # type: ignore[method-assign]


def _median(question: Callable[[], Any], times: int) -> tuple[float, Any]:
    spent_s = []
    for _ in range(times):
        started_s = time.perf_counter()
        answer = question()
        spent_s.append(time.perf_counter() - started_s)
    return float(np.median(spent_s)), answer


def _plain(plot: tuple[np.ndarray, np.ndarray]) -> bytes:
    return b"".join(side.astype(np.int64).tobytes() for side in plot)


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _written() -> int:
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return int(dict(line.split(": ") for line in lines)["write_bytes"])
