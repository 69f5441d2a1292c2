"""A recorder on the disk of powercut.py, and what must be true after every cut of its power."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

from sootsayer.model import Changes, SootsayerError, Trip
from sootsayer.store import ring as ring_module
from sootsayer.store import schema
from sootsayer.store import unchunked as unchunked_module
from sootsayer.store.archive import Archive
from sootsayer.store.device_key import DeviceKey
from sootsayer.store.reader import DAMAGED, ArchiveReader
from sootsayer.store.ring import RingFile
from sootsayer.store.verify import verify
from store import powercut, recording
from store.powercut import Disk, Operation, Rebuilder

NAME = "archive.db"
RING = {"RING_BLOCKS": 24, "FLUSH_BLOCKS": 6}  # so that it goes round often
COMMITS = 100
OFTEN = {"wal_autocheckpoint": 8}  # pages: checkpoints too
Acknowledged = list[tuple[int, int, int]]  # operations done, log time stored, alerts seen


@dataclass(slots=True)
class Recorded:
    """What a recorder did to its disk."""

    before: dict[str, bytes]
    operations: list[Operation]
    acknowledged: Acknowledged = field(default_factory=list)
    refused: int = 0


@contextmanager
def small_ring() -> Iterator[None]:
    with (
        patch.multiple(ring_module, **RING),
        patch.object(unchunked_module, "FLUSH_BLOCKS", RING["FLUSH_BLOCKS"]),
    ):
        yield


def record(
    folder: Path,
    commits: int = COMMITS,
    pragmas: Mapping[str, Any] | None = None,
    ring: type[RingFile] | None = None,
    disk: Disk | None = None,
) -> Recorded:
    """Half-second batches, an alert in every third commit, a trip that ends now and then.

    ``pragmas`` and ``ring`` replace the archive's own. What the disk refuses is tried again.
    """
    path = folder / NAME
    Archive.open(path).close()
    before = {NAME: path.read_bytes()}
    disk = disk or Disk()
    vfs = powercut.RecordingVFS(disk)
    recorded = Recorded(before, disk.operations)
    try:
        with small_ring():
            archive = _opened(path, disk, pragmas, ring)
            if archive is not None:
                _feed(archive, recorded, commits)
    finally:
        vfs.unregister()
    return recorded


def _opened(
    path: Path, disk: Disk, pragmas: Mapping[str, Any] | None, ring: type[RingFile] | None
) -> Archive | None:
    """None if the disk refused that twice."""
    for _ in range(2):
        try:
            connection: Any = powercut.Connection(path, disk)
            schema._set_pragmas(connection, path, schema.WRITER | OFTEN | dict(pragmas or {}))
            lock_file = (path.parent / "lock").open("w")
            return Archive(
                path, connection, lock_file, DeviceKey(bytes(32)), ring or powercut.ring_on(disk)
            )
        except (sqlite3.Error, SootsayerError):
            continue
    return None


def _feed(archive: Archive, recorded: Recorded, commits: int) -> None:
    seen = 0
    for number in range(1, commits + 1):
        upto_ms = recording.START_MS + number * recording.BATCH_MS
        archive.append(recording.batch(upto_ms))
        if number % 3 == 0:
            seen = number
            archive.apply(Changes(alerts=(recording.alert(seen, upto_ms),)))
        archive.put_state("health", {"number": number})
        if number % 37 == 0:
            trip = Trip(number, recording.START_MS, upto_ms, False, 1.0, 1.0, 0)
            archive.apply(Changes(trips=(trip,)))
        try:
            archive.commit()
        except SootsayerError:
            recorded.refused += 1
            continue
        recorded.acknowledged.append((len(recorded.operations), upto_ms, seen))
    for _ in range(3):
        try:
            archive.commit()
            break
        except SootsayerError:
            recorded.refused += 1
    try:
        archive.close()
    except SootsayerError:
        recorded.refused += 1


def cuts(
    recorded: Recorded, folder: Path, count: int, rng: random.Random
) -> Iterator[tuple[int, list[str]]]:
    """Cut behind ``count`` random operations, ascending: where, and what was then untrue."""
    rebuilder = Rebuilder(recorded.operations, recorded.before)
    total = len(recorded.operations)
    for behind in sorted(rng.randrange(total + 1) for _ in range(count)):
        files = rebuilder.cut(behind, rng, rng.choice([512, 4096]))
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        powercut.lay(folder, files)
        yield behind, troubles(folder / NAME, *powercut.last_before(recorded.acknowledged, behind))


def troubles(path: Path, acked_ms: int, acked_seen: int) -> list[str]:
    """Open as the recorder would; what is not as it must be."""
    try:
        with small_ring():
            archive = Archive.open(path)
            archive.close()
        return list(_untrue(path, acked_ms, acked_seen, archive.upto_ms))
    except (SootsayerError, sqlite3.Error, TypeError, ValueError) as trouble:
        return [f"cannot be read: {trouble}"]


def _untrue(path: Path, acked_ms: int, acked_seen: int, upto_ms: int) -> Iterator[str]:
    if upto_ms < acked_ms:
        yield f"{acked_ms - upto_ms} ms that were acknowledged are lost"
    with ArchiveReader(path) as reader:
        for broken in reader.check():
            yield f"broken: {broken.reason}"
        for gap in reader.gaps():
            if gap.reason == DAMAGED:
                yield f"damage told: {gap}"
        if upto_ms > recording.START_MS:
            for channel in recording.CHANNELS:
                yield from _untrue_series(reader, channel, upto_ms)
        alerts = reader.alerts()
    if acked_seen and (not alerts or alerts[0].alert.seen < acked_seen):
        yield "an alert that was acknowledged is lost"
    broken_chain = verify(path).broken
    if broken_chain:
        yield f"chain: {broken_chain}"


def _untrue_series(reader: ArchiveReader, channel: str, upto_ms: int) -> Iterator[str]:
    found = reader.series(channel, 0, 1 << 60)
    if len(found) != 1:
        yield f"channel {channel}: {len(found)} series"
        return
    (series,) = found
    expected = (upto_ms - recording.START_MS) // 50
    if len(series.t_ms) != expected or (series.raw != recording.raws(channel, series.t_ms)).any():
        yield f"channel {channel}: {len(series.t_ms)} readings of {expected}, or wrong ones"
