"""What the recorder said of itself: whether its clock was set, whether its room runs short."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from sootsayer.derive.frames import BLOCK_FRAMES
from sootsayer.derive.keep import Kept
from sootsayer.derive.told import CLOCK, ROOM, Told
from sootsayer.model import FloatArray


class OwnWord(Kept):
    """The newest word on each, 1 doubtful, 0 well, NaN while it has said nothing: a recording
    that comes from elsewhere has no recorder of ours."""

    kept = ("doubts",)

    def __init__(self) -> None:
        self.doubts: dict[str, float] = {}

    def step(self, told: Iterable[Told]) -> tuple[FloatArray, FloatArray]:
        """Columns of clock and of room over one block."""
        for word in told:
            if word.channel in (CLOCK, ROOM):
                self.doubts[word.channel] = float(word.raw)
        clock, room = (self.doubts.get(key, np.nan) for key in (CLOCK, ROOM))
        return np.full(BLOCK_FRAMES, clock), np.full(BLOCK_FRAMES, room)
