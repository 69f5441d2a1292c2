"""Openings: stretches in which the valve was asked open, and what each of them showed.

The opening is the unit of counting. Frames are walked one by one, because an opening is a
story with a beginning and an end; everything it needs is summed on the way, so that it can be
judged when it closes, or later, once the engine's breathing is known well enough.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np

from sootsayer.derive.balance import GAS_SHARE_ERROR, ROW_FRAMES, FlowBalance, Rows, gas_share
from sootsayer.derive.frames import BLOCK_FRAMES, FRAME_MS
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import Quantities
from sootsayer.derive.response import (
    AFTER,
    BEFORE,
    LEAST_AFTER,
    Response,
    aba_kpa,
    is_clean,
    respond,
    respond_by_pressure,
)
from sootsayer.model import FloatArray, Opening

OPEN_POINTS = 4.0  # above the car's own shut value: beyond the 4–5 % some cars report when shut
SHUT_POINTS = 2.0
OPEN_FRAMES = 2  # a second of asking before it counts, so that a twitch is not an opening
LEAST_FRAMES = 6  # three seconds, shorter ones show nothing
LONGEST_FRAMES = 240  # a long one is judged anew every two minutes, for faults that come midway
SETTLE_FRAMES = 3  # the valve's own lag, left out when position is compared with command
# Position against command: off by more than this many points and this share (handbook rule M1).
OFF_POINTS = 10.0
OFF_SHARE = 0.20
# An edge is looked at from two seconds before to four seconds after.
EDGE_BEFORE = 4
EDGE_SKIP = 3
EDGE_AFTER = 6
EDGE_FRAMES = EDGE_BEFORE + EDGE_SKIP + EDGE_AFTER
# Columns of the trace that is kept of the newest frames; long enough for either edge.
MAP, RPM, THROTTLE, ASKED, MOVED = range(5)
OPEN_END = EDGE_AFTER  # frames of the open end before a closing edge
TRACE_FRAMES = max(BEFORE, OPEN_END) + AFTER
STEP_FLOOR_KPA = 0.3  # quantisation of a whole-kPa MAP reading, 1/√12


@dataclass(frozen=True, slots=True)
class Flow:
    """What one balance says of one opening: displaced air, its sd, and what was due, in g/s.

    ``due_asked_g_s``: due if the valve stood where it was asked to stand. ``scale``: what a gain
    is multiplied with, see ``Rows``.
    """

    flow_g_s: float
    sd_g_s: float
    due_g_s: float
    due_asked_g_s: float
    scale: float = 1.0
    opening: float = 0.0  # 0..1, over the settled part that was measured


@dataclass(frozen=True, slots=True)
class Judged:
    """An opening with the counts the rules need beside the values people read.

    ``flow`` rests on the air meter where there is one; ``cross`` is a second opinion from
    throttle and manifold pressure, which knows nothing of the air meter. ``rise`` and ``fall``:
    how the position answered the two edges. ``map_fall_kpa``: what MAP lost at the closing edge
    and its sd; ``aba_kpa``: open against the mean of shut before and after.
    """

    opening: Opening
    settled_frames: int
    short_frames: int
    over_frames: int
    measured: bool  # position was known and is no mere echo
    flow: Flow | None
    cross: Flow | None
    rise: Response | None = None
    fall: Response | None = None
    map_fall_kpa: float | None = None
    map_fall_sd_kpa: float | None = None
    aba_kpa: float | None = None
    period_s: float = 0.0  # of the slower of command and position


class Openings(Kept):
    """Finds openings, measures them, and hands them over once they can be judged."""

    kept = ("number", "asking", "current", "closing", "since_closing", "pending", "trace")

    def __init__(self) -> None:
        self.number = 0
        self.asking = 0  # frames in a row in which the valve was asked open
        self.current: dict[str, Any] | None = None
        self.closing: dict[str, Any] | None = None  # closed, its closing edge still watched
        self.since_closing = 0
        self.pending: deque[dict[str, Any]] = deque(maxlen=200)
        self.trace: deque[list[float]] = deque(maxlen=TRACE_FRAMES)

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
            [q.map, q.rpm, q.throttle, q.asked, q.moved, q.command, q.actual]
        ).tolist()
        running = q.running().tolist()
        settled = q.settled.tolist()
        start_ms = q.block.start_ms
        for index, frame in enumerate(columns):
            asked = frame[3]
            end_ms = start_ms + (index + 1) * FRAME_MS
            self.trace.append(frame[: MOVED + 1])
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
                self._begin(
                    end_ms - OPEN_FRAMES * FRAME_MS, trip, context, position_counts, _period_s(q)
                )
            current = self.current
            assert current is not None
            _add_frame(current, frame, settled[index])
            if current["frames"] == EDGE_SKIP + EDGE_AFTER - OPEN_FRAMES + 1:
                current["edge"] = _edge_step(list(self.trace))
            if current["frames"] == AFTER - OPEN_FRAMES + 1:
                current["rise"] = _answer(list(self.trace)[-BEFORE - AFTER :])
            owner[index] = current
            if current["frames"] >= LONGEST_FRAMES:
                self._close(end_ms)
                self.asking = OPEN_FRAMES
        return owner

    def _begin(
        self,
        start_ms: int,
        trip: int,
        context: dict[str, float],
        position_counts: bool,
        period_s: float,
    ) -> None:
        self._finish(OPEN_FRAMES)
        self.number += 1
        self.current = {
            "number": self.number, "trip": trip, "start_ms": start_ms, "end_ms": start_ms,
            "frames": 0, "asked": 0.0, "moved": 0.0, "moved_n": 0, "settled": 0, "short": 0,
            "over": 0, "edge": None, "rise": None, "fall": None, "fall_edge": None,
            "sums": [_no_rows(), _no_rows()], "context": dict(context),
            "position_counts": position_counts, "period_s": period_s,
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
            closing["fall"] = _answer(look[OPEN_END - BEFORE :])
            closing["fall_edge"] = _edge_fall(look)
        self.pending.append(closing)

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
                judged.append(_measure(record, balances))
        self.pending = waiting
        return judged


def _period_s(q: Quantities) -> float:
    """How far apart the readings are of which a response is made."""
    channels = ("egr_pct", "egr_a_cmd", "egr_err", "egr_a_err", "egr_a_act")
    return max((q.block.periods_s.get(channel, 0.0) for channel in channels), default=0.0)


def _no_rows() -> dict[str, Any]:
    return {
        "rows": 0, "features": None, "target": 0.0, "air": 0.0, "density": 0.0,
        "charge_k": 0.0, "opening": 0.0, "scale": 0.0,
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


def _measure(record: dict[str, Any], balances: tuple[FlowBalance, FlowBalance]) -> Judged:
    asked = record["asked"] / record["frames"]
    moved = record["moved"] / record["moved_n"] if record["moved_n"] else None
    counts = record["position_counts"]
    flow, cross = (
        _flow(sums, asked, balance) for sums, balance in zip(record["sums"], balances, strict=True)
    )
    gas, gas_sd = _gas(record["sums"][0], flow)
    step, step_sd, step_due = _step(record, balances[0])
    rise, fall = (_response(record[edge], counts) for edge in ("rise", "fall"))
    falls, aba = _closing_figures(record)
    context = {**record["context"], **_told(record, rise, fall, aba)}
    opening = Opening(
        number=record["number"], trip=record["trip"], start_ms=record["start_ms"],
        end_ms=record["end_ms"], asked_pct=asked, moved_pct=moved if counts else None,
        flow_g_s=flow.flow_g_s if flow else None, flow_sd_g_s=flow.sd_g_s if flow else None,
        due_g_s=flow.due_g_s if flow else None, gas_pct=gas, gas_sd_pct=gas_sd,
        map_step_kpa=step, map_step_sd_kpa=step_sd, map_step_due_kpa=step_due,
        context=context,
    )  # fmt: skip
    return Judged(
        opening, record["settled"], record["short"], record["over"],
        counts and record["settled"] > 0, flow, cross, rise, fall, *falls, aba, record["period_s"],
    )  # fmt: skip


def _response(answer: dict[str, Any] | None, position_counts: bool) -> Response | None:
    if answer is None or not position_counts or answer["position"] is None:
        return None
    return Response(*answer["position"])


def _closing_figures(record: dict[str, Any]) -> (
    tuple[tuple[float | None, float | None], float | None]
):  # fmt: skip
    """MAP lost at the closing edge with its sd, and the contrast against both neighbours, which
    asks for the same speed and throttle at all four places."""
    fall, rise = record["fall_edge"], record["edge"]
    if fall is None:
        return (None, None), None
    lost, sd, open_kpa, shut_kpa, rpm, throttle = fall
    if rise is None:
        return (lost, sd), None
    step, _, after_kpa, rpm_before, throttle_before = rise
    if not is_clean(np.array([rpm, rpm_before]), np.array([throttle, throttle_before])):
        return (lost, sd), None
    return (lost, sd), aba_kpa(after_kpa - step, (after_kpa + open_kpa) / 2, shut_kpa)


def _told(
    record: dict[str, Any], rise: Response | None, fall: Response | None, aba: float | None
) -> dict[str, float]:
    """What belongs among an opening's circumstances: how the valve answered."""
    told: dict[str, float] = {}
    for word, found in (("up", rise), ("down", fall)):
        if found is not None:
            told[f"dead_{word}_s"] = round(found.dead_s, 2)
            told[f"t63_{word}_s"] = round(found.t63_s, 2)
            told[f"t90_{word}_s"] = round(found.t90_s, 2)
    for word, answer in (("up", record["rise"]), ("down", record["fall"])):
        if answer is not None and answer["pressure"] is not None:
            told[f"map_t90_{word}_s"] = round(answer["pressure"][2], 2)
    if aba is not None:
        told["map_aba_kpa"] = round(aba, 2)
    return told


def _flow(sums: dict[str, Any], asked_pct: float, balance: FlowBalance) -> Flow | None:
    rows = sums["rows"]
    if not rows or not balance.ready():
        return None
    features = np.asarray(sums["features"]) / rows
    flow, sd = balance.displaced(features, sums["target"] / rows, rows)
    opening, scale = sums["opening"] / rows, sums["scale"] / rows
    full_g_s = balance.due_gain_g_s() * scale
    due_g_s = full_g_s * opening
    balance.note_flow((flow, sd), opening, scale, due_g_s, sums["charge_k"] / rows)
    return Flow(flow, sd, due_g_s, full_g_s * asked_pct / 100, scale, opening)


def _gas(sums: dict[str, Any], flow: Flow | None) -> tuple[float | None, float | None]:
    """Gas share in per cent and its standard deviation."""
    if flow is None:
        return None, None
    air, charge_k = sums["air"] / sums["rows"], sums["charge_k"] / sums["rows"]
    gas = 100 * gas_share(flow.flow_g_s, air, charge_k)
    scatter = 100 * gas_share(flow.flow_g_s + flow.sd_g_s, air, charge_k) - gas
    return gas, float(np.hypot(scatter, GAS_SHARE_ERROR * gas))


def _step(
    record: dict[str, Any], balance: FlowBalance
) -> tuple[float | None, float | None, float | None]:
    """MAP step at the opening edge, its sd, and the step that was due."""
    edge, sums = record["edge"], record["sums"][0]
    if edge is None or not sums["rows"] or balance.compression:
        return None, None, None
    step, sd, after_kpa = edge[:3]
    if after_kpa > 0.7 * balance.baro_kpa:  # the throttle is no longer near choking
        return None, None, None
    per_kpa = sums["density"] / sums["rows"] * balance.breathing()
    if per_kpa <= 0:  # breathing is not known yet: no step can be due
        return None, None, None
    due = balance.due_gain_g_s() * sums["opening"] / sums["rows"] / per_kpa
    return step, sd, due


def _add_frame(current: dict[str, Any], frame: list[float], settled: bool) -> None:
    _, _, _, asked, moved, command, actual = frame
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


def _edge_step(frames: list[list[float]]) -> list[float] | None:
    """[MAP step, its sd, MAP after, mean rpm, mean throttle] of an opening edge at steady speed
    and throttle, else None."""
    if len(frames) < EDGE_FRAMES:
        return None
    look = np.array(frames[-EDGE_FRAMES:])
    before, after = look[:EDGE_BEFORE], look[-EDGE_AFTER:]
    if before[:, ASKED].max() > SHUT_POINTS or after[:, ASKED].min() < OPEN_POINTS:
        return None
    return _contrast(before, after)


def _edge_fall(frames: list[list[float]]) -> list[float] | None:
    """[MAP lost, its sd, MAP open, MAP shut, mean rpm, mean throttle] of a closing edge.

    ``frames``: the open end, then at least LEAST_AFTER frames asked shut.
    """
    look = np.array(frames)
    before, after = look[:OPEN_END], look[OPEN_END + EDGE_SKIP : OPEN_END + EDGE_SKIP + EDGE_AFTER]
    if not (before[:, ASKED].min() >= OPEN_POINTS and after[:, ASKED].max() <= SHUT_POINTS):
        return None
    found = _contrast(after, before)
    return None if found is None else [*found[:3], found[2] - found[0], *found[3:]]


def _contrast(shut: FloatArray, opened: FloatArray) -> list[float] | None:
    """[MAP open − shut, its sd, MAP open, mean rpm, mean throttle] at steady speed and throttle."""
    if np.isnan(shut[:, : THROTTLE + 1]).any() or np.isnan(opened[:, : THROTTLE + 1]).any():
        return None
    rpm = np.concatenate([shut[:, RPM], opened[:, RPM]])
    throttle = np.concatenate([shut[:, THROTTLE], opened[:, THROTTLE]])
    if not is_clean(rpm, throttle):
        return None
    open_kpa = float(opened[:, MAP].mean())
    scatter = shut[:, MAP].var() / len(shut) + opened[:, MAP].var() / len(opened)
    return [
        open_kpa - float(shut[:, MAP].mean()), float(np.sqrt(scatter + STEP_FLOOR_KPA**2)),
        open_kpa, float(rpm.mean()), float(throttle.mean()),
    ]  # fmt: skip


def _answer(frames: list[list[float]]) -> dict[str, Any] | None:
    """How position and, apart from it, manifold pressure answered an edge."""
    look = np.array(frames)
    if len(look) < BEFORE + LEAST_AFTER:
        return None
    by_position = respond(look[:, ASKED], look[:, MOVED])
    by_pressure = respond_by_pressure(look[:, ASKED], look[:, MAP], look[:, RPM], look[:, THROTTLE])
    return {"position": _figures(by_position), "pressure": _figures(by_pressure)}


def _figures(found: Response | None) -> list[float] | None:
    if found is None:
        return None
    return [found.dead_s, found.t63_s, found.t90_s, found.breakaway_points]


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
