"""Play of a valve: how far its resting place differs by the way it came.

A valve that sticks stops short on both ways, so at equal position the command is higher when it
came from below. Only arrivals count: the command moved, the valve moved with it, both came to
rest away from the stop. Each arrival is one witness, however long it rests.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from sootsayer.derive.frames import BLOCK_FRAMES
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities, spread
from sootsayer.model import FloatArray

LOOK = 8  # frames: the command must have rested for four seconds
CAME = 6  # frames over which a movement shows
REST_POINTS = 1.5
PLACE_REST_FRAMES = 4
CAME_POINTS = 4.0  # of command, and a third of it of the valve, make a movement
FOLLOWED_POINTS = 1.5
OFF_STOP_POINTS = 5.0  # a valve on its stop shows no play
ARRIVALS = 80
LEAST_EACH = 8


class Play(Kept):
    """Arrivals of the newest drives, and the play they show."""

    kept = ("history", "direction", "arrivals", "found")

    def __init__(self) -> None:
        self.history = np.full((2, LOOK), np.nan)
        self.direction = 0  # of the movement that has not come to rest yet, 0 where none
        self.arrivals: deque[list[float]] = deque(maxlen=ARRIVALS)  # [place, command off, ±1]
        self.found: list[float] = []  # play in points, its sd, arrivals of the rarer way

    def step(self, q: Quantities, position_counts: bool) -> bool:
        """Take in a block; whether new arrivals changed what is known."""
        if not q.block.contiguous:
            self.history[:] = np.nan
            self.direction = 0
        extended = np.concatenate([self.history, np.array([q.asked, q.moved])], axis=1)
        self.history = extended[:, -LOOK:]
        if not position_counts or not (extended[0] > CAME_POINTS).any():
            return False  # shut all the while
        events = self._events(extended)
        before = len(self.arrivals), self.arrivals[-1] if self.arrivals else None
        for index in np.flatnonzero(events != 0).tolist():
            self._event(int(events[index]), extended, index)
        if (len(self.arrivals), self.arrivals[-1] if self.arrivals else None) == before:
            return False
        self.found = self._measure()
        return True

    def _events(self, extended: FloatArray) -> FloatArray:
        """Per frame: ±1 where the valve came that way with its command, 2 where all is at rest."""
        now, past = extended[:, -BLOCK_FRAMES:], extended[:, -BLOCK_FRAMES - CAME : -CAME]
        with np.errstate(invalid="ignore"):
            asked, moved = now[0] - past[0], now[1] - past[1]
            came = (np.abs(asked) > CAME_POINTS) & (moved * np.sign(asked) > FOLLOWED_POINTS)
            rests = (spread(extended[0], LOOK) < REST_POINTS) & (now[1] > OFF_STOP_POINTS)
            rests &= spread(extended[1], PLACE_REST_FRAMES) < REST_POINTS
        return np.where(rests, 2.0, np.where(came, np.sign(asked), 0.0))

    def _event(self, event: int, extended: FloatArray, index: int) -> None:
        if event != 2:
            self.direction = event
        elif self.direction:
            end = extended.shape[1] - BLOCK_FRAMES + index + 1
            asked, moved = extended[:, end - PLACE_REST_FRAMES : end].mean(axis=1).tolist()
            self.arrivals.append([moved, asked - moved, float(self.direction)])
            self.direction = 0

    def _measure(self) -> list[float]:
        """[play, sd, arrivals of the rarer way]: command off = a + b·place ± play/2."""
        rows = np.array(self.arrivals)
        rarer = min(np.count_nonzero(rows[:, 2] > 0), np.count_nonzero(rows[:, 2] < 0))
        if rarer < LEAST_EACH:
            return []
        features = np.column_stack([np.ones(len(rows)), rows[:, 0], rows[:, 2] / 2])
        off, keep = rows[:, 1], np.ones(len(rows), dtype=bool)
        for _ in range(2):  # the second time without what lies far off the first
            solution = np.linalg.lstsq(features[keep], off[keep], rcond=None)[0]
            residual = off - features @ solution
            scale = 1.4826 * float(np.median(np.abs(residual[keep]))) + 0.2
            keep = np.abs(residual) < 4 * scale
        inverse = np.linalg.pinv(features[keep].T @ features[keep])
        sd = float(np.sqrt(inverse[2, 2] * np.var(residual[keep])))
        return [float(solution[2]), sd, float(rarer)]
