"""A flipped bit anywhere in the file or the ring is found, or makes no difference. Never silent."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sootsayer.model import (
    Alert,
    Anchor,
    Batch,
    Changes,
    CodeSeen,
    CodeStatus,
    Episode,
    Gap,
    Identity,
    Mark,
    SootsayerError,
    SourceState,
    SourceStatus,
    Trip,
)  # fmt: skip
from sootsayer.store.archive import Archive
from sootsayer.store.device_key import DeviceKey
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.verify import verify

START = 1_764_000_000_000 // 3_600_000 * 3_600_000
FLIPS = 400
END = 1 << 60


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("flips")


@pytest.fixture
def whole(scene: Path, drive: Callable[..., Iterator[Batch]], alert: Callable[..., Alert]) -> Path:
    """Everything an archive can hold, a part of it in the ring."""
    if (scene / "whole.db").exists():
        return scene / "whole.db"
    archive = Archive.open(scene / "made.db", DeviceKey(bytes(32)))
    archive.begin_boot("a", 0, START, True)
    rng = np.random.default_rng(1)
    for batch in drive(3_750, 50_000):
        noisy = tuple(
            replace(series, raw=rng.integers(0, 4_000, len(series.raw))) for series in batch.series
        )
        archive.append(replace(batch, series=noisy))
        archive.commit()
    archive.append(
        Batch(
            START + 3_750_000,
            (),
            (
                CodeSeen(START + 9, "7E8", "P0401", CodeStatus.PENDING),
                Identity(START + 10, "7E8", "vin", "TESTVIN0000000042"),
                SourceStatus(START + 11, "adapter", SourceState.SILENT, "no answer", {"asked": 3}),
            ),
        )
    )
    trip = Trip(1, START, START + 60_000, False, 60.0, 0.7, 1)
    episode = Episode("F1", START, START + 8_000, True, 0.25, "no gas")
    archive.apply(Changes((alert(START), alert(START + 5)), (episode,), (trip,)))
    archive.mark(Mark(START + 12, "jolt", "driver"))
    archive.gap(Gap(START + 1, START + 2, "unplugged"))
    archive.anchor(Anchor(START + 99, START + 99, True, "ntp"))
    archive.put_state("pipeline", {"done_ms": START, "sums": [1, 2.5, None]})
    archive.commit()
    for batch in drive(20, 1_000, START + 3_750_000):
        archive.append(batch)
        archive.put_state("health", {"state": "reading"})
        archive.commit()
    archive._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    for ending in ("", "-ring"):
        shutil.copy(f"{scene}/made.db{ending}", f"{scene}/whole.db{ending}")
    archive.close()
    return scene / "whole.db"


def told(path: Path) -> tuple[Any, ...]:
    """All that a reader answers with, for comparing."""
    with ArchiveReader(path) as reader:
        series = [
            (s.channel, s.scaling, s.t_ms.tobytes(), s.raw.tobytes())
            for channel in ("rpm", "map")
            for s in reader.series(channel, 0, END)
        ]
        wide = reader.envelope("rpm", START, START + 86_400_000, 500)
        return (
            series, wide.low.tobytes(), wide.high.tobytes(), wide.mean.tobytes(),
            [row.alert for row in reader.alerts()], reader.episodes("F1"), reader.trips(),
            reader.codes(), reader.identities(), reader.statuses(), reader.marks(), reader.gaps(),
            reader.anchors(), reader.boots(), reader.state("health"), reader.state("pipeline"),
            [(row.name, row.scaling, row.samples) for row in reader.channels()],
        )  # fmt: skip


def is_found(path: Path) -> bool:
    with ArchiveReader(path) as reader:
        if reader.check():
            return True
    return bool(verify(path).broken)


@pytest.mark.parametrize("ending", ["", "-ring"])
def test_a_flipped_bit_is_found_or_harmless(whole: Path, tmp_path: Path, ending: str) -> None:
    rng = random.Random(2026)
    before = told(whole)
    assert not is_found(whole)
    files = {end: Path(f"{whole}{end}").read_bytes() for end in ("", "-ring")}
    used = files[ending].rstrip(b"\0")
    path = tmp_path / "flipped.db"
    found = harmless = 0
    for _ in range(FLIPS if not ending else FLIPS // 5):
        bit = rng.randrange(8 * len(used))
        flipped = bytearray(files[ending])
        flipped[bit // 8] ^= 1 << bit % 8
        for end, packed in (files | {ending: bytes(flipped)}).items():
            Path(f"{path}{end}").write_bytes(packed)
        for end in ("-wal", "-shm"):
            Path(f"{path}{end}").unlink(missing_ok=True)
        try:
            same = told(path) == before
            seen = is_found(path)
        except SootsayerError:
            found += 1
            continue
        assert same or seen, f"bit {bit} of {len(used)} bytes{ending} was silent"
        found, harmless = found + seen, harmless + (not seen)
    assert found > harmless  # most of the bytes count
