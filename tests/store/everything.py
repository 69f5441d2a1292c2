"""Some of everything an archive can hold beside readings, for tests that spoil it."""

from __future__ import annotations

from collections.abc import Callable

from sootsayer.model import (
    Alert,
    Anchor,
    Batch,
    Changes,
    CodeSeen,
    CodesRead,
    CodeStatus,
    Episode,
    Gap,
    Identity,
    Mark,
    Opening,
    SourceState,
    SourceStatus,
    Trip,
)
from sootsayer.store.archive import Archive

START = 1_764_000_000_000 // 3_600_000 * 3_600_000


def put_everything(archive: Archive, alert: Callable[..., Alert]) -> None:
    """Codes, looks and words at START + 1, 2 and 3 ms; two alerts; one of each other kind."""
    confirmed = CodeStatus.CONFIRMED
    codes = [CodeSeen(START + n, "7E8", "P0401", confirmed) for n in (1, 2, 3)]
    looks = [CodesRead(START + n, "7E8", confirmed, n % 2) for n in (1, 2, 3)]
    words = [Identity(START + n, "7E8", "vin", f"TEST{n}") for n in (1, 2, 3)]
    silent = SourceStatus(START + 11, "adapter", SourceState.SILENT, "no answer", {"asked": 3})
    archive.append(Batch(archive.upto_ms, (), (*codes, *looks, *words, silent)))
    trip = Trip(1, START, START + 60_000, False, 60.0, 0.7, 1)
    episode = Episode("F1", START, START + 8_000, True, 0.25, "no gas")
    opening = Opening(1, 1, START, START + 8_000, 30.0, 28.0, *[None] * 8, {"ect": 88.0})
    archive.apply(Changes((alert(START), alert(START + 5)), (episode,), (trip,), (opening,)))
    archive.hold(START, START + 60_000, "pack 1")
    archive.mark(Mark(START + 12, "jolt", "driver"))
    archive.gap(Gap(START + 1, START + 2, "unplugged"))
    archive.anchor(Anchor(START + 99, START + 99, True, "ntp"))
