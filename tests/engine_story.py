"""Short stories of an engine told frame by frame, for parts that walk frames."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from sootsayer.derive.frames import BLOCK_FRAMES, BLOCK_MS, FRAME_MS, Block
from sootsayer.derive.quantities import Quantities, Reader
from sootsayer.model import FloatArray
from sootsayer.vehicle import Vehicle

START_MS = 1_760_000_000_000


def column(*parts: tuple[float, float]) -> FloatArray:
    """Seconds and value, one after the other, as frames of half a second."""
    return np.concatenate([np.full(round(s * 1000 / FRAME_MS), float(v)) for s, v in parts])


def told(channels: Mapping[str, FloatArray], reader: Reader | None = None) -> Iterator[Quantities]:
    """The story in whole blocks; its end is filled with silence."""
    reader = reader or Reader(Vehicle.unknown())
    frames = max(len(c) for c in channels.values())
    blocks = -(-frames // BLOCK_FRAMES)
    whole = {
        name: np.concatenate([c, np.full(blocks * BLOCK_FRAMES - len(c), np.nan)])
        for name, c in channels.items()
    }
    for number in range(blocks):
        part = slice(number * BLOCK_FRAMES, (number + 1) * BLOCK_FRAMES)
        columns = {name: c[part] for name, c in whole.items()}
        fresh = np.ones(BLOCK_FRAMES)
        yield reader.read(Block(START_MS + number * BLOCK_MS, number > 0, columns, fresh))
