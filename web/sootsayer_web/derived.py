"""What the recorder's core derives, worked out again for a short stretch that a page shows.

The archive keeps what the car said. Position rebuilt from command and error, and the driving
states, follow from it, by the same functions that the rules use.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from sootsayer.derive.frames import FRAME_MS, Framer
from sootsayer.derive.quantities import Quantities, Reader
from sootsayer.model import Batch, BoolArray, FloatArray, IntArray, Series
from sootsayer.store.reader import ArchiveReader
from sootsayer.vehicle import Vehicle

MOVED = "moved"  # the trace that no channel gives: the valve's position, read or rebuilt
MOVED_UNIT = "%"
MOVED_LABEL = "Valve position"
LONGEST_MS = 3_600_000  # one hour is worked out in well under a second; longer has no use here
NEEDED = ("rpm", "vss", "tp", "app_d", "ect", "ect1", "n_d_stat",
          "egr_pct", "egr_err", "egr_a_cmd", "egr_a_act", "egr_a_err")  # fmt: skip
POSITION = ({"egr_a_act"}, {"egr_pct", "egr_err"}, {"egr_a_cmd", "egr_a_err"})


def gives_position(channels: set[str]) -> bool:
    """Whether these channels tell where the valve stands."""
    return any(needed <= channels for needed in POSITION)


def stretch(reader: ArchiveReader, start_ms: int, end_ms: int) -> list[Quantities]:
    """The quantities between two log times, in blocks of ten seconds."""
    recorded = {row.name for row in reader.channels()}
    series: list[Series] = []
    for channel in NEEDED:
        if channel in recorded:
            series += reader.series(channel, start_ms, end_ms)
    return list(_read(Batch(upto_ms=end_ms + 2 * 10_000, series=tuple(series))))


def _read(batch: Batch) -> Iterator[Quantities]:
    core = Reader(Vehicle.unknown())
    for block in Framer().feed(batch):
        yield core.read(block)


def moved(blocks: list[Quantities], start_ms: int, end_ms: int) -> tuple[IntArray, FloatArray]:
    """Stamps and positions in %, where known, between two log times."""
    if not blocks:
        return np.empty(0, dtype=np.int64), np.empty(0)
    t_ms = np.concatenate([block.block.ends_ms for block in blocks])
    values = np.concatenate([block.actual for block in blocks])
    known = ~np.isnan(values) & (t_ms > start_ms) & (t_ms <= end_ms)
    return t_ms[known], values[known]


def permitted(blocks: list[Quantities]) -> list[tuple[int, int]]:
    """Stretches of log time in which the driving allows recirculation: warm, at part throttle,
    at cruising speed. What is unknown is not permitted."""
    found: list[tuple[int, int]] = []
    for block in blocks:
        for end_ms in block.block.ends_ms[_is_true(block.states["cruise"])]:
            begin_ms = int(end_ms) - FRAME_MS
            if found and found[-1][1] == begin_ms:
                found[-1] = (found[-1][0], int(end_ms))
            else:
                found.append((begin_ms, int(end_ms)))
    return found


def _is_true(state: FloatArray) -> BoolArray:
    truth: BoolArray = state == 1
    return truth
