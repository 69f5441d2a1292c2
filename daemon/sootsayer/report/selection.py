"""What an export takes, and how it is walked: ten minutes at a time, so that memory stays flat."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from sootsayer.model import Alert, Series
from sootsayer.store.chunk import STRETCH_MS
from sootsayer.store.reader import ArchiveReader

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Selection:
    """Readings with ``start < t <= end`` (log time) of some channels; the alert they belong to."""

    start_ms: int
    end_ms: int
    channels: Sequence[str]
    alert: Alert | None = None


def no_progress(done: int, total: int) -> None:
    """For callers who do not watch."""


def windows(
    reader: ArchiveReader, start_ms: int, end_ms: int, progress: Progress = no_progress
) -> Iterator[tuple[int, int]]:
    """Ten-minute stretches that hold readings; a month in the garage costs nothing."""
    stretches = reader.stretches(start_ms, end_ms)
    for number, at_ms in enumerate(stretches, 1):
        yield max(at_ms, start_ms), min(at_ms + STRETCH_MS, end_ms)
        progress(number, len(stretches))


def pieces(
    reader: ArchiveReader, chosen: Selection, progress: Progress = no_progress
) -> Iterator[list[Series]]:
    """The chosen readings, ten minutes at a time, in order of time."""
    for start_ms, end_ms in windows(reader, chosen.start_ms, chosen.end_ms, progress):
        yield [
            series
            for channel in chosen.channels
            for series in reader.series(channel, start_ms, end_ms)
        ]
