"""Thirty days of two hours' driving, plotted at random zooms 1,000 columns wide."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
from readings import SHAPES, drive

from sootsayer.model import Batch, Series
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader

DAYS = 30
DAY_MS = 86_400_000
START_MS = 1_764_000_000_000 // DAY_MS * DAY_MS
QUERIES = 300
WIDTH = 1000
BUDGET_MS = 100.0


def run() -> list[str]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "month.db"
        started_s = time.perf_counter()
        fill(path)
        fill_s = time.perf_counter() - started_s
        with ArchiveReader(path) as reader:
            size = reader.size()
            lines = [
                f"{size['samples']:,} readings stored at {size['samples'] / fill_s:,.0f} a second, "
                f"{size['bytes_per_sample']:.3f} byte each"
            ]
            for name, least_ms, most_ms in (
                ("minute to hour", 60_000, 3_600_000),
                ("hour to day", 3_600_000, DAY_MS),
                ("day to month", DAY_MS, DAYS * DAY_MS),
            ):
                spent = spent_ms(reader, least_ms, most_ms)
                p95 = float(np.percentile(spent, 95))
                lines.append(
                    f"{name:<15} median {np.median(spent):6.1f} ms  p95 {p95:6.1f} ms  "
                    f"budget {BUDGET_MS:.0f} ms"
                )
            return lines


def fill(path: Path) -> None:
    """The same two hours every day: what is measured is how much there is."""
    drives = [drive(START_MS + 7 * 3_600_000, 60, 1), drive(START_MS + 17 * 3_600_000, 60, 2)]
    with Archive.open(path) as archive:
        for day in range(DAYS):
            for batch in (batch for hour in drives for batch in hour):
                archive.append(later(batch, day * DAY_MS))
                archive.commit()


def later(batch: Batch, by_ms: int) -> Batch:
    moved = (Series(s.channel, s.scaling, s.t_ms + by_ms, s.raw) for s in batch.series)
    return Batch(batch.upto_ms + by_ms, tuple(moved))


def spent_ms(reader: ArchiveReader, least_ms: int, most_ms: int) -> list[float]:
    """Spans of random length somewhere inside a drive, so that there is something to plot."""
    rng = np.random.default_rng(5)
    spent = []
    for _ in range(QUERIES):
        length_ms = int(np.exp(rng.uniform(np.log(least_ms), np.log(most_ms))))
        hour = int(rng.choice([7, 17]))
        middle_ms = START_MS + int(rng.integers(DAYS)) * DAY_MS + hour * 3_600_000
        middle_ms += int(rng.integers(3_600_000))
        channel = SHAPES[int(rng.integers(len(SHAPES)))].name
        started_s = time.perf_counter()
        reader.envelope(channel, middle_ms - length_ms // 2, middle_ms + length_ms // 2, WIDTH)
        spent.append((time.perf_counter() - started_s) * 1000)
    return spent
