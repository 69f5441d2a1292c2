"""Openings: stretches in which the valve was asked open, and what each of them showed.

The opening is the unit of counting. Frames are walked one by one, because an opening is a
story with a beginning and an end; everything it needs is summed on the way, so that it can be
judged when it closes, or later, once the engine's breathing is known well enough.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Any

import numpy as np

from sootsayer.derive.balance import FlowBalance
from sootsayer.derive.cylinder import ROW_FRAMES, Rows
from sootsayer.derive.edges import (
    BRIEF_MS,
    EDGE_AFTER,
    EDGE_SKIP,
    OPEN_END,
    OPEN_POINTS,
    SHUT_POINTS,
    TRACE_FRAMES,
    against_both,
    answer,
    at_brief_closing,
    fall_at_closing,
    step_at_opening,
    surge_pct,
)
from sootsayer.derive.frames import BLOCK_FRAMES, FRAME_MS
from sootsayer.derive.keep import Kept
from sootsayer.derive.opened import Judged, measure
from sootsayer.derive.quantities import Quantities
from sootsayer.derive.response import AFTER, BEFORE, LEAST_AFTER
from sootsayer.model import FloatArray

OPEN_FRAMES = 2  # a second of asking before it counts, so that a twitch is not an opening
LEAST_FRAMES = 6  # three seconds, shorter ones show nothing
LONGEST_FRAMES = 240  # a long one is judged anew every two minutes, for faults that come midway
TRACED = 6  # columns that the trace keeps, see ``edges``
SETTLE_FRAMES = 3  # the valve's own lag, left out when position is compared with command
# Position against command: off by more than this many points and this share (rule M1).
OFF_POINTS = 10.0
OFF_SHARE = 0.20


class Openings(Kept):
    """Finds openings, measures them, and hands them over once they can be judged."""

    kept = ("number", "asking", "current", "closing", "since_closing", "pending", "trace",
            "last_fall")  # fmt: skip

    def __init__(self) -> None:
        self.number = 0
        self.asking = 0  # frames in a row in which the valve was asked open
        self.current: dict[str, Any] | None = None
        self.closing: dict[str, Any] | None = None  # closed, its closing edge still watched
        self.since_closing = 0
        self.pending: deque[dict[str, Any]] = deque(maxlen=200)
        self.trace: deque[list[float]] = deque(maxlen=TRACE_FRAMES)
        self.last_fall: list[float] | None = None  # of the closing before, with its end in ms

    def step(
        self,
        q: Quantities,
        rows: tuple[Rows | None, Rows | None],
        balances: tuple[FlowBalance, FlowBalance],
        trip: int,
        context: dict[str, float],
        position_counts: bool,
    ) -> list[Judged]:
        """Openings that can now be judged.

        ``rows`` and ``balances``: the main balance and the second opinion. ``context``:
        circumstances at this moment.
        """
        if not q.block.contiguous:
            self._close(q.block.start_ms)
            self._finish()
            self.trace.clear()
        owner = self._walk(q, trip, context, position_counts)
        for opinion, part in enumerate(rows):
            if part is not None:
                _add_rows(part, owner, opinion)
        return self._judge(balances, trip)

    # ------------------------------------------------------------ frame by frame

    def _walk(
        self, q: Quantities, trip: int, context: dict[str, float], position_counts: bool
    ) -> list[dict[str, Any] | None]:
        """Follow the command through the block; returns which opening each frame belongs to."""
        owner: list[dict[str, Any] | None] = [None] * BLOCK_FRAMES
        columns = np.column_stack(
            [q.map, q.rpm, q.throttle, q.asked, q.moved, q.speed, q.command, q.actual]
        ).tolist()
        running = q.running().tolist()
        settled = q.settled.tolist()
        start_ms = q.block.start_ms
        for index, frame in enumerate(columns):
            asked = frame[3]
            end_ms = start_ms + (index + 1) * FRAME_MS
            self.trace.append(frame[:TRACED])
            if self.closing is not None:
                self.since_closing += 1
                if self.since_closing >= AFTER:
                    self._finish()
            if not running[index] or math.isnan(asked) or asked < SHUT_POINTS:
                self._close(end_ms - FRAME_MS)
                self.asking = 0
                continue
            if self.current is None:
                self.asking = self.asking + 1 if asked > OPEN_POINTS else 0
                if self.asking < OPEN_FRAMES:
                    continue
                self._begin(end_ms - OPEN_FRAMES * FRAME_MS, trip, context, position_counts)
            current = self.current
            assert current is not None
            _add_frame(current, frame, settled[index])
            if current["frames"] == EDGE_SKIP + EDGE_AFTER - OPEN_FRAMES + 1:
                current["edge"] = step_at_opening(list(self.trace))
                current["aba"] = self._after_brief_closing(current)
            if current["frames"] == AFTER - OPEN_FRAMES + 1:
                current["rise"] = answer(list(self.trace)[-BEFORE - AFTER :])
                current["surge"] = surge_pct(list(self.trace))
            owner[index] = current
            if current["frames"] >= LONGEST_FRAMES:
                self._close(end_ms)
                self.asking = OPEN_FRAMES
        return owner

    def _begin(
        self, start_ms: int, trip: int, context: dict[str, float], position_counts: bool
    ) -> None:
        self._finish(OPEN_FRAMES)
        self.number += 1
        self.current = {
            "number": self.number, "trip": trip, "start_ms": start_ms, "end_ms": start_ms,
            "frames": 0, "asked": 0.0, "moved": 0.0, "moved_n": 0, "settled": 0, "short": 0,
            "over": 0, "edge": None, "rise": None, "fall": None, "aba": None,
            "surge": None, "sums": [_no_rows(), _no_rows()], "context": dict(context),
            "position_counts": position_counts,
        }  # fmt: skip

    def _close(self, end_ms: int) -> None:
        current, self.current = self.current, None
        if current is not None and current["frames"] >= LEAST_FRAMES:
            current["end_ms"] = end_ms
            self._finish()
            # The frame that ended it is the first one after.
            self.closing, self.since_closing = current, 1

    def _finish(self, newer: int = 0) -> None:
        """Look at the closing edge of the last opening and hand it on.

        ``newer``: frames at the trace's end that already belong to the next opening.
        """
        closing, self.closing = self.closing, None
        if closing is None:
            return
        after = self.since_closing - newer
        look = list(self.trace)[: len(self.trace) - newer][-OPEN_END - after :]
        if after >= LEAST_AFTER and len(look) == OPEN_END + after:
            closing["fall"] = answer(look[OPEN_END - BEFORE :])
            fall = fall_at_closing(look)
            closing["aba"] = against_both(closing["edge"], fall) or closing["aba"]
            self.last_fall = None if fall is None else [*fall, float(closing["end_ms"])]
        self.pending.append(closing)

    def _after_brief_closing(self, current: dict[str, Any]) -> list[float] | None:
        """Contrast with the valve shut for a moment between two openings."""
        fall, self.last_fall = self.last_fall, None
        if fall is None:
            return at_brief_closing(list(self.trace))
        if current["start_ms"] - fall[-1] > BRIEF_MS:
            return None
        return against_both(current["edge"], fall[:-1])

    # ------------------------------------------------------------ judging

    def _judge(self, balances: tuple[FlowBalance, FlowBalance], trip: int) -> list[Judged]:
        judged: list[Judged] = []
        waiting: deque[dict[str, Any]] = deque(maxlen=self.pending.maxlen)
        for record in self.pending:
            # Without known breathing wait, but not for ever: two more trips, then say unknown.
            ready = balances[0].ready() or not record["sums"][0]["rows"]
            if not ready and trip <= record["trip"] + 2:
                waiting.append(record)
            else:
                judged.append(measure(record, balances))
        self.pending = waiting
        return judged


def _no_rows() -> dict[str, Any]:
    return {
        "rows": 0, "features": None, "target": 0.0, "air": 0.0, "density": 0.0,
        "charge_k": 0.0, "opening": 0.0, "scale": 0.0, "trim": 0.0, "trims": 0,
    }  # fmt: skip


def _add_rows(rows: Rows, owner: list[dict[str, Any] | None], opinion: int) -> None:
    for row in np.flatnonzero(rows.usable & (rows.opening >= 0.0)).tolist():
        members = owner[row * ROW_FRAMES : (row + 1) * ROW_FRAMES]
        opening = members[0]
        if opening is None or any(member is not opening for member in members):
            continue
        sums = opening["sums"][opinion]
        features, before = rows.features[row], sums["features"]
        sums["features"] = features if before is None else np.asarray(before) + features
        sums["rows"] += 1
        sums["target"] += float(rows.target[row])
        sums["air"] += float(rows.air_g_s[row])
        sums["density"] += float(rows.density_g_s_kpa[row])
        sums["charge_k"] += float(rows.charge_k[row])
        sums["opening"] += float(rows.opening[row])
        sums["scale"] += float(rows.scale[row])
        if not math.isnan(rows.trim_pct[row]):
            sums["trim"] += float(rows.trim_pct[row])
            sums["trims"] += 1


def _add_frame(current: dict[str, Any], frame: list[float], settled: bool) -> None:
    asked, moved, _, command, actual = frame[3:]
    current["frames"] += 1
    current["asked"] += asked
    if math.isnan(moved):
        return
    current["moved"] += moved
    current["moved_n"] += 1
    if settled and current["frames"] > SETTLE_FRAMES:
        current["settled"] += 1
        off = actual - command
        if abs(off) > OFF_POINTS and abs(off) > OFF_SHARE * command:
            current["short" if off < 0 else "over"] += 1


def opening_column(q: Quantities, use_position: bool) -> FloatArray:
    """Opening 0..1 for the balance: measured position where there is one, else the command."""
    by_command = np.clip(q.asked, 0, None) / 100
    if not use_position:
        return by_command
    by_position = np.clip(q.moved, 0, None) / 100
    # Where the car says only "not shut" there is gas but no figure: leave it out of learning.
    by_position = np.where(q.not_shut == 1, np.nan, by_position)
    unknown = np.isnan(by_position) & (q.not_shut != 1)
    return np.where(unknown, by_command, by_position)
