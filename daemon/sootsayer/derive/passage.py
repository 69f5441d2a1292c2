"""What added sensors show over each stretch open and shut: passage temperature, vacuum,
pressure feedback, contact. A car without any of them costs nothing here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sootsayer.derive.edges import OPEN_POINTS, SHUT_POINTS
from sootsayer.derive.frames import FRAME_MS, FRAME_S
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities
from sootsayer.model import FloatArray

# What is watched, under which names cars and sensors give it.
WITNESSES: Mapping[str, tuple[str, ...]] = {
    "temperature": ("egr_passage_c", "egrt11", "egrt12"),
    "vacuum": ("egr_vacuum_kpa",),
    "source": ("vacuum_source_kpa",),
    "feedback": ("egr_pressure_v", "egr_dp"),
    "contact": ("egr_contact",),
}
ROWS = (*WITNESSES, "asked", "moved", "map", "baro", "ect", "idle")
LONGEST_FRAMES = 600
TAIL_FRAMES = 10
# How fast a passage and the sensor in it warm and cool, the middles of 20 to 60 s and of 60 to
# 180 s (from memory).
WARMS_S, COOLS_S = 40.0, 120.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """One stretch asked open or shut. ``frames``: columns by name over it, ``before``: the last
    five seconds of the stretch before, ``before_s`` how long that one was (0: none). ``heated``:
    how far gas as commanded had warmed the passage at its begin and at its end, 0..1."""

    start_ms: int
    end_ms: int
    is_open: bool
    before_s: float
    frames: Mapping[str, FloatArray]
    before: Mapping[str, FloatArray]
    standing: float  # pressure feedback with the engine standing, NaN where not seen
    heated: tuple[float, float] = (0.0, 0.0)

    @property
    def seconds(self) -> float:
        return (self.end_ms - self.start_ms) / 1000


class Passage(Kept):
    """Follows the command and gathers what the sensors showed meanwhile."""

    kept = (
        "start_ms", "is_open", "rows", "tail", "before_s", "standing", "heated", "heated_before",
    )  # fmt: skip

    def __init__(self) -> None:
        self.start_ms: int | None = None
        self.is_open = False
        self.rows: list[list[float]] = []
        self.tail: list[list[float]] = []
        self.before_s = 0.0
        self.standing = float("nan")  # pressure feedback with the key on and the engine standing
        self.heated = 0.0
        self.heated_before = 0.0

    def step(self, q: Quantities) -> list[Stretch]:
        columns = q.block.columns
        if not any(name in columns for names in WITNESSES.values() for name in names):
            self._clear()
            return []
        block = _columns(q)
        self._stand(q, block)
        if not q.block.contiguous:
            self._clear()
        done: list[Stretch] = []
        running, asked = q.running().tolist(), q.asked.tolist()
        for index, row in enumerate(np.column_stack([block[name] for name in ROWS]).tolist()):
            begin_ms = q.block.start_ms + index * FRAME_MS
            if not running[index] or asked[index] != asked[index]:
                self._clear()
                continue
            limit = SHUT_POINTS if self.is_open else OPEN_POINTS
            if self.start_ms is None or (asked[index] > limit) != self.is_open:
                self._change(begin_ms, asked[index] > limit, done)
            lag_s = WARMS_S if self.is_open else COOLS_S
            self.heated += (float(self.is_open) - self.heated) * FRAME_S / lag_s
            self.rows.append(row)
            if len(self.rows) >= LONGEST_FRAMES:
                self._hand_over(begin_ms + FRAME_MS, done)
        return done

    def _stand(self, q: Quantities, block: Mapping[str, FloatArray]) -> None:
        still = (q.rpm < 1) & ~np.isnan(block["feedback"])
        if still.any():
            self.standing = float(block["feedback"][still].mean())

    def _clear(self) -> None:
        self.start_ms, self.rows, self.tail, self.before_s = None, [], [], 0.0
        self.heated = self.heated_before = 0.0  # at least; the reading itself tells if it is more

    def _change(self, at_ms: int, is_open: bool, done: list[Stretch]) -> None:
        if self.start_ms is not None:
            length_s = len(self.rows) * FRAME_S
            tail = self.rows[-TAIL_FRAMES:]
            self._hand_over(at_ms, done)
            self.tail, self.before_s = tail, length_s
        self.start_ms, self.is_open = at_ms, is_open

    def _hand_over(self, end_ms: int, done: list[Stretch]) -> None:
        """Give away what was gathered; a very long stretch goes on with what lies before it."""
        assert self.start_ms is not None
        done.append(
            Stretch(self.start_ms, end_ms, self.is_open, self.before_s,
                    _named(self.rows), _named(self.tail), self.standing,
                    (self.heated_before, self.heated))
        )  # fmt: skip
        self.start_ms, self.rows, self.heated_before = end_ms, [], self.heated


def _named(rows: list[list[float]]) -> dict[str, FloatArray]:
    columns = np.array(rows).reshape(-1, len(ROWS)).T
    return dict(zip(ROWS, columns, strict=True))


def _columns(q: Quantities) -> dict[str, FloatArray]:
    found = {
        "asked": q.asked, "moved": q.moved, "map": q.map, "baro": q.baro, "ect": q.ect,
        "idle": q.states["idle"],
    }  # fmt: skip
    for name, channels in WITNESSES.items():
        given = [channel for channel in channels if channel in q.block.columns]
        found[name] = q.block.column(given[0] if given else channels[0])
    return found
