"""Edges of an opening: what manifold pressure and engine speed did when the valve opened or shut.

Traces of frames around an edge, columns ``MAP … SPEED``. An edge counts only at steady throttle;
for a contrast of pressure engine speed must stand still, too. Two edges near each other make a
contrast against both neighbours (shut, open, shut, or the other way round), which halves drift.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from sootsayer.derive.response import (
    AFTER,
    BEFORE,
    CLEAN_RPM_SHARE,
    CLEAN_THROTTLE_POINTS,
    LEAST_AFTER,
    Response,
    aba_kpa,
    is_clean,
    respond,
    respond_by_pressure,
)
from sootsayer.model import FloatArray

OPEN_POINTS = 4.0  # above the car's own shut value: beyond the 4–5 % some cars report when shut
SHUT_POINTS = 2.0
# An edge is looked at from two seconds before to four seconds after.
EDGE_BEFORE = 4
EDGE_SKIP = 3
EDGE_AFTER = 6
EDGE_FRAMES = EDGE_BEFORE + EDGE_SKIP + EDGE_AFTER
# Columns of the trace that is kept of the newest frames; long enough for either edge.
MAP, RPM, THROTTLE, ASKED, MOVED, SPEED = range(6)
OPEN_END = EDGE_AFTER  # frames of the open end before a closing edge
TRACE_FRAMES = max(BEFORE, OPEN_END) + AFTER
STEP_FLOOR_KPA = 0.3  # quantisation of a whole-kPa MAP reading, 1/√12
BRIEF_MS = 30_000  # a closing no longer than this is a contrast for the openings around it
SURGE_KMH = 30.0


def step_at_opening(frames: list[list[float]]) -> list[float] | None:
    """[MAP step, its sd, MAP after, mean rpm, mean throttle] of an opening edge at steady speed
    and throttle, else None."""
    if len(frames) < EDGE_FRAMES:
        return None
    look = np.array(frames[-EDGE_FRAMES:])
    before, after = look[:EDGE_BEFORE], look[-EDGE_AFTER:]
    if before[:, ASKED].max() > SHUT_POINTS or after[:, ASKED].min() < OPEN_POINTS:
        return None
    return _contrast(before, after)


def fall_at_closing(frames: list[list[float]]) -> list[float] | None:
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


def against_both(rise: list[float] | None, fall: list[float] | None) -> list[float] | None:
    """[kPa, its sd, MAP open]: open against shut by both edges, whichever came first, where all
    four places had the same speed and throttle. Drift counts half in each edge and cancels."""
    if rise is None or fall is None:
        return None
    step, step_sd, after_kpa, rpm_up, throttle_up = rise
    _, lost_sd, open_kpa, shut_kpa, rpm_down, throttle_down = fall
    if not is_clean(np.array([rpm_up, rpm_down]), np.array([throttle_up, throttle_down])):
        return None
    # Shut, open, shut; for open, shut, open the same four places make the same figure.
    contrast = aba_kpa(after_kpa - step, (after_kpa + open_kpa) / 2, shut_kpa)
    return [contrast, float(np.hypot(step_sd, lost_sd)) / 2, (after_kpa + open_kpa) / 2]


def at_brief_closing(frames: list[list[float]]) -> list[float] | None:
    """[kPa, its sd, MAP open] of the valve shut for two to four seconds between two openings, as
    control units do to test it; the trace ends in the second opening.

    A valve may take a second to come home, so only frames in which its position is read as shut
    count; without a position so short a closing says nothing.
    """
    look = np.array(frames)
    shut = np.flatnonzero(look[:, ASKED] <= SHUT_POINTS)
    if not len(shut) or shut[0] < EDGE_BEFORE + 1 or len(look) - shut[-1] <= EDGE_SKIP + 1:
        return None
    if shut[-1] - shut[0] + 1 != len(shut):
        return None
    before = look[shut[0] - 1 - EDGE_BEFORE : shut[0] - 1]  # the frame of the edge is neither
    after = look[shut[-1] + 1 + EDGE_SKIP :]
    home = look[shut[1:]][look[shut[1:], MOVED] <= SHUT_POINTS]
    if not len(home) or before[:, ASKED].min() < OPEN_POINTS or after[:, ASKED].min() < OPEN_POINTS:
        return None
    first, second = _contrast(home, before), _contrast(home, after)
    if first is None or second is None or not _same_place(before, after):
        return None
    # Both share what was read while shut, so their doubts do not average out.
    return [(first[0] + second[0]) / 2, (first[1] + second[1]) / 2, second[2]]


def _same_place(one: FloatArray, other: FloatArray) -> bool:
    both = np.vstack([one, other])
    return is_clean(both[:, RPM], both[:, THROTTLE])


def answer(frames: list[list[float]]) -> dict[str, Any] | None:
    """How position and, apart from it, manifold pressure answered an edge."""
    look = np.array(frames)
    if len(look) < BEFORE + LEAST_AFTER:
        return None
    by_position = respond(look[:, ASKED], look[:, MOVED])
    by_pressure = respond_by_pressure(look[:, ASKED], look[:, MAP], look[:, RPM], look[:, THROTTLE])
    return {"position": _figures(by_position), "pressure": _figures(by_pressure)}


def _figures(found: Response | None) -> list[float] | None:
    return None if found is None else [found.dead_s, found.t63_s, found.t90_s]


def surge_pct(frames: list[list[float]]) -> float | None:
    """How far engine speed dipped below the straight line from before an opening to after it,
    in per cent; None unless the throttle stood still, the car rolled and no gear was changed.

    Road speed changes too little in eight seconds to part from that line, so it is the
    correction for speed; what dips and comes back is the engine missing.
    """
    look = np.array(frames[-BEFORE - AFTER :])
    if len(look) < BEFORE + AFTER or np.isnan(look[:, [RPM, THROTTLE, SPEED]]).any():
        return None
    if np.ptp(look[:, THROTTLE]) > CLEAN_THROTTLE_POINTS or look[:, SPEED].min() < SURGE_KMH:
        return None
    before, after = look[:BEFORE, RPM].mean(), look[-BEFORE:, RPM].mean()
    if abs(after - before) > CLEAN_RPM_SHARE * before:
        return None
    line = np.interp(
        np.arange(len(look)), [(BEFORE - 1) / 2, len(look) - (BEFORE + 1) / 2], [before, after]
    )
    below = (line - look[:, RPM])[BEFORE:-BEFORE] / line[BEFORE:-BEFORE]
    pairs = (below[1:] + below[:-1]) / 2  # a second of it: no single frame's noise
    return 100 * float(pairs.max())
