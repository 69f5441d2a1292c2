"""A flipped bit anywhere in the file or the ring is found, or makes no difference. Never silent.

Nothing wrong is ever served: what a reader answers is part of what it answered before. What is
missing then, the reader has named while it answered, or the recorder's own look through the
archive names it without being asked.
"""

from __future__ import annotations

import random
import shutil
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sootsayer.model import Alert, Batch, SootsayerError
from sootsayer.store.archive import Archive
from sootsayer.store.device_key import DeviceKey
from sootsayer.store.reader import DAMAGED, ArchiveReader
from sootsayer.store.soundness import unsound
from store.everything import START, put_everything

FLIPS = 250
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
    put_everything(archive, alert)
    archive.put_state("pipeline", {"done_ms": START, "sums": rng.random(300).tolist()})
    archive.put_state("fingerprint", {"vehicle": "one"})
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


@dataclass(frozen=True)
class Answers:
    """All that a reader answers with: values that may be missing one by one, and plots."""

    values: Counter[str]
    readings: dict[str, np.ndarray]  # by channel and scaling, stamp and raw integer in one
    derived: bytes  # plots and counts, which follow from what is there

    def are_part_of(self, whole: Answers) -> bool:
        return not self.values - whole.values and all(
            name in whole.readings and np.isin(found, whole.readings[name]).all()
            for name, found in self.readings.items()
        )

    def same_as(self, whole: Answers) -> bool:
        return (
            (self.values, self.derived) == (whole.values, whole.derived)
            and self.readings.keys() == whole.readings.keys()
            and all(
                np.array_equal(found, whole.readings[name]) for name, found in self.readings.items()
            )
        )


def told(path: Path) -> tuple[Answers, list[str]]:
    """What is answered, and what the reader says of damage meanwhile."""
    with ArchiveReader(path) as reader:
        readings = {
            f"{s.channel} {s.scaling}": (s.t_ms << 16) + s.raw
            for channel in ("rpm", "map")
            for s in reader.series(channel, 0, END)
        }
        values: list[Any] = []
        for answers in (
            reader.alerts(), reader.episodes("F1"), reader.trips(), reader.openings(),
            reader.codes_seen(), reader.looks(), reader.identities(), reader.statuses(),
            reader.marks(), reader.anchors(), reader.boots(),
            [(row.name, row.scaling) for row in reader.channels()],
            [gap for gap in reader.gaps() if gap.reason != DAMAGED],
        ):  # fmt: skip
            values += answers
        for name in ("health", "pipeline", "fingerprint"):
            state = reader.state(name)
            values += [] if state is None else [(name, state)]
        wide = reader.envelope("rpm", START, START + 86_400_000, 500)
        counts = repr([(row.name, row.samples) for row in reader.channels()]).encode()
        plot = wide.low.tobytes() + wide.high.tobytes() + wide.mean.tobytes()
        return Answers(Counter(map(repr, values)), readings, plot + counts), reader.damage()


@pytest.mark.parametrize("ending", ["", "-ring"])
def test_a_flipped_bit_is_found_or_harmless(whole: Path, tmp_path: Path, ending: str) -> None:
    rng = random.Random(2026)
    before, damage = told(whole)
    assert not damage and not list(unsound(whole))
    files = {end: Path(f"{whole}{end}").read_bytes() for end in ("", "-ring")}
    used = files[ending].rstrip(b"\0")
    seen: Counter[str] = Counter()
    for _ in range(FLIPS if not ending else FLIPS // 5):
        bit = rng.randrange(8 * len(used))
        flipped = bytearray(files[ending])
        flipped[bit // 8] ^= 1 << bit % 8
        how = how_it_shows(tmp_path / "flipped.db", files | {ending: bytes(flipped)}, before)
        assert how not in ("silent", "wrong"), f"bit {bit} of {len(used)} bytes{ending}: {how}"
        seen[how] += 1
    assert seen["while reading"] > seen["by the look"] + seen["harmless"]  # most bytes count


def how_it_shows(path: Path, files: dict[str, bytes], before: Answers) -> str:
    for end, packed in files.items():
        Path(f"{path}{end}").write_bytes(packed)
    for end in ("-wal", "-shm"):
        Path(f"{path}{end}").unlink(missing_ok=True)
    try:
        answers, damage = told(path)
    except SootsayerError:
        return "while reading"
    if not answers.are_part_of(before):
        return "wrong"
    if damage:
        return "while reading"
    try:
        looked = list(unsound(path))
    except SootsayerError:
        looked = ["cannot be read"]
    if looked:
        return "by the look"
    return "harmless" if answers.same_as(before) else "silent"
