"""The readings of a pack: chunks as the archive stores them, and the same as CSV.

The CSV is made from the chunks and the clock of the pack alone, so whoever has a pack can make it
again and compare.
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sootsayer.model import Scaling
from sootsayer.store.chunk import STRETCH_MS, Chunk, Column, decode
from sootsayer.store.minutes import Gathered, between, merge
from sootsayer.store.walltime import WallTimes, utc_text

Stretch = tuple[int, int]  # start < t <= end, log time in ms


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel under one scaling; ``id`` is what chunks call it."""

    id: int
    name: str
    scaling: Scaling

    def definition(self) -> bytes:
        """What gives its raw integers their meaning, as the chain hashes it."""
        words = "\0".join((self.name, self.scaling.name, self.scaling.unit))
        return words.encode("utf-8") + struct.pack("<dd", self.scaling.scale, self.scaling.offset)

    def as_json(self) -> dict[str, Any]:
        return {
            "id": self.id, "name": self.name, "scaling": self.scaling.name,
            "scale": self.scaling.scale, "offset": self.scaling.offset, "unit": self.scaling.unit,
        }  # fmt: skip

    @classmethod
    def from_json(cls, form: Mapping[str, Any]) -> Channel:
        scaling = Scaling(form["scaling"], form["scale"], form["offset"], form["unit"])
        return cls(form["id"], form["name"], scaling)


@dataclass(frozen=True, slots=True)
class Clock:
    """Wall time of log times: from each ``from_ms`` on, wall = log + ``lead_ms``."""

    from_ms: tuple[int, ...]
    leads_ms: tuple[int, ...]  # one more: the first holds before all of these

    @classmethod
    def of(cls, times: WallTimes, starts_ms: Sequence[int]) -> Clock:
        """As the archive knows it; ``starts_ms`` of its boots."""
        first_ms = starts_ms[0] - 1 if starts_ms else 0
        moments_ms = (first_ms, *starts_ms)
        leads_ms = tuple(times.wall_ms(t_ms)[0] - t_ms for t_ms in moments_ms)
        return cls(tuple(starts_ms), leads_ms)

    def utc(self, t_ms: int) -> str:
        return utc_text(t_ms + self.leads_ms[bisect_right(self.from_ms, t_ms)])


@dataclass(frozen=True, slots=True)
class ChunkRef:
    """A chunk in the pack. ``id`` is its entry in the chain, None for what is in no chunk yet."""

    id: int | None
    start_ms: int
    end_ms: int
    samples: int
    codec: int
    crc: int

    @property
    def member(self) -> str:
        return "readings/ring.chunk" if self.id is None else f"readings/{self.id:09d}.chunk"

    def chunk(self, body: bytes) -> Chunk:
        return Chunk(self.start_ms, self.end_ms, self.samples, self.codec, self.crc, body)


class Packed:
    """All chunks of a pack; ``load`` brings one."""

    def __init__(self, refs: Sequence[ChunkRef], load: Callable[[ChunkRef], Chunk]) -> None:
        self._refs, self._load = refs, load
        self._last: dict[str, list[Column]] = {}  # rows go through chunks in order: one is enough

    def columns(self, start_ms: int, end_ms: int, ids: Sequence[int]) -> dict[int, Column]:
        """Readings with ``start < t <= end`` by channel, ascending, empty ones left out."""
        gathered = Gathered()
        for ref in self._refs:
            if ref.start_ms < end_ms and ref.end_ms > start_ms:
                gathered.extend(one for one in self._decoded(ref) if one.channel in ids)
        cut = (between(column, start_ms, end_ms) for column in merge(gathered))
        return {column.channel: column for column in cut if len(column.t_ms)}

    def _decoded(self, ref: ChunkRef) -> list[Column]:
        if ref.member not in self._last:
            self._last = {ref.member: decode(self._load(ref))}
        return self._last[ref.member]


def csv_pieces(
    packed: Packed, channels: Sequence[Channel], stretches: Sequence[Stretch], clock: Clock
) -> Iterator[bytes]:
    """A row for each moment: UTC, log time, and value and raw integer of each channel.

    An empty cell is no reading. Two readings of one channel with one stamp make two rows.
    """
    yield _text("# value = raw × scale + offset; an empty cell is no reading")
    for channel in channels:
        scaling = channel.scaling
        yield _text(
            f"# {channel.name}: scale {scaling.scale!r}, offset {scaling.offset!r}, "
            f"unit {scaling.unit or 'none'}, scaling {scaling.name}"
        )
    yield _text(",".join(["utc", "log_ms", *(word for one in channels for word in _heads(one))]))
    ids = [channel.id for channel in channels]
    for start_ms, end_ms in stretches:
        for since_ms, upto_ms in _windows(start_ms, end_ms):
            columns = packed.columns(since_ms, upto_ms, ids)
            if columns:
                yield "".join(_rows(columns, channels, clock)).encode("utf-8")


def _windows(start_ms: int, end_ms: int) -> Iterator[Stretch]:
    """The parts of a stretch that lie in one ten minutes each."""
    while start_ms < end_ms:
        upto_ms = min(end_ms, (start_ms // STRETCH_MS + 1) * STRETCH_MS)
        yield start_ms, upto_ms
        start_ms = upto_ms


def _heads(channel: Channel) -> tuple[str, str]:
    unit = channel.scaling.unit
    return (f"{channel.name} [{unit}]" if unit else channel.name), f"{channel.name} raw"


def _rows(
    columns: Mapping[int, Column], channels: Sequence[Channel], clock: Clock
) -> Iterator[str]:
    cells: dict[tuple[int, int], dict[int, int]] = {}
    for place, channel in enumerate(channels):
        column = columns.get(channel.id)
        if column is None:
            continue
        repeat = np.arange(len(column.t_ms)) - np.searchsorted(column.t_ms, column.t_ms)
        for t_ms, again, raw in zip(
            column.t_ms.tolist(), repeat.tolist(), column.raw.tolist(), strict=True
        ):
            cells.setdefault((t_ms, again), {})[place] = raw
    for (t_ms, _), row in sorted(cells.items()):
        words = [clock.utc(t_ms), str(t_ms)]
        for place, channel in enumerate(channels):
            words += _cell(row.get(place), channel.scaling)
        yield ",".join(words) + "\n"


def _cell(raw: int | None, scaling: Scaling) -> tuple[str, str]:
    if raw is None:
        return "", ""
    return f"{raw * scaling.scale + scaling.offset:.10g}", str(raw)


def _text(line: str) -> bytes:
    return f"{line}\n".encode()
