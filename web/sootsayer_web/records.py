"""The dashboard's way to the archive: opened when it appears, and never written to.

The dashboard may start before the recorder has made its archive, and an archive may be put in
its place later; both are ordinary, so the reader is made when it is first needed and made anew
when another file lies at the path.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path

from sootsayer import clock
from sootsayer.store.reader import ArchiveReader
from sootsayer_web.moments import iso

INVERSE_STEPS = 4  # wall → log outside all boots: one step is exact between two anchors


@dataclass(frozen=True, slots=True)
class OpenArchive:
    """What one answer is made from."""

    reader: ArchiveReader
    times: Times


class Records:
    """One archive and what can be said of its times. Safe to use from several threads."""

    def __init__(self, archive: Path, control: Path | None = None) -> None:
        """``control``: the recorder's socket, for when the archive tells nothing new."""
        self.archive = archive
        self.control = control
        self._lock = threading.Lock()
        self._reader: ArchiveReader | None = None
        self._identity: tuple[int, int] | None = None

    def reader(self) -> ArchiveReader | None:
        """The reader, or None while there is no archive. SootsayerError if it is not ours."""
        identity = self._file_identity()
        with self._lock:
            if identity is None:
                self._reader = None
            elif self._reader is None or identity != self._identity:
                self._reader = ArchiveReader(self.archive)
            self._identity = identity
            return self._reader

    def _file_identity(self) -> tuple[int, int] | None:
        try:
            status = self.archive.stat()
        except FileNotFoundError:
            return None
        return (status.st_dev, status.st_ino)

    def open(self) -> OpenArchive | None:
        """The reader with its times as known now, or None while there is no archive."""
        reader = self.reader()
        return None if reader is None else OpenArchive(reader, Times(reader))

    def release(self) -> None:
        """Give back what this thread holds of the archive; sixteen threads would hold 30 MB."""
        if self._reader is not None:
            self._reader.release()

    def written_ms(self) -> int:
        """Wall time of the last commit, as the file system tells it: also true when the
        recorder's own health note is missing or from a version that writes less."""
        newest_s = 0.0
        for ending in ("", "-wal", "-ring"):
            path = self.archive.with_name(self.archive.name + ending)
            try:
                newest_s = max(newest_s, path.stat().st_mtime)
            except FileNotFoundError:
                continue
        return round(newest_s * 1000)


class Times:
    """The archive's times as known at one moment; made once for each answer."""

    def __init__(self, reader: ArchiveReader) -> None:
        self._boots = reader.boots()
        self._walls = reader.wall_times()

    def iso(self, t_ms: int | None) -> str | None:
        """A log time as UTC ISO 8601. None stays None."""
        return None if t_ms is None else iso(self.wall_ms(t_ms))

    def wall_ms(self, t_ms: int) -> int:
        """Unix time of a log time."""
        return self._walls.wall_ms(int(t_ms))[0]

    def trusted(self, t_ms: int) -> bool:
        """Whether the time of day is known there."""
        return self._walls.wall_ms(int(t_ms))[1]

    @property
    def this_boot(self) -> bool:
        """Whether the archive's newest boot is the one that this machine is in."""
        return bool(self._boots) and self._boots[-1].boot_id == clock.boot_id()

    def now_ms(self) -> int:
        """The present in log time: exact within the boot that is being recorded."""
        if self.this_boot:
            return clock.boottime_ms() + self._boots[-1].offset_ms
        return self.log_ms(clock.wall_ms())

    def log_ms(self, wall_ms: int) -> int:
        """The log time at which the wall clock, as corrected since, stood at ``wall_ms``.

        Each boot has its own offset, so the boot is looked for in which the moment lies, newest
        first; a moment outside all boots is met by stepping towards it.
        """
        next_ms: int | None = None
        for boot in self._boots[::-1]:
            t_ms = wall_ms - (self.wall_ms(boot.started_ms) - boot.started_ms)
            if boot.started_ms <= t_ms and (next_ms is None or t_ms < next_ms):
                return t_ms
            next_ms = boot.started_ms
        t_ms = wall_ms
        for _ in range(INVERSE_STEPS):
            t_ms -= self.wall_ms(t_ms) - wall_ms
        return t_ms
