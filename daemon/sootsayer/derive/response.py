"""How a valve answers a clean step of command: dead time, 63 and 90 %, and contrasts.

Everything works on short traces in frames. A command that ramps is no step, so each time is
taken from when the command itself had come as far: for a true step that is the usual meaning,
for a ramp it is the lag behind it. Times are good to about a quarter of a second, half a frame;
a valve that takes longer than four seconds has not quite arrived and reads up to a tenth short.
Whether it sticks is seen in every movement of the command, not in clean steps alone: ``answers``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sootsayer.derive.frames import FRAME_S
from sootsayer.model import FloatArray

BEFORE = 4  # frames before an edge: two seconds at rest
AFTER = 16  # frames after it: eight seconds to arrive
LEAST_AFTER = 9  # shorter looks show no end
END = 4  # the last two seconds say where a trace has arrived
STEP_POINTS = 10.0  # smaller command changes are lost in the sensor's grain
MOVED_POINTS = 5.0  # less than this is no movement to be timed
STEADY_POINTS = 3.0
STEADY_SHARE = 0.15  # of the step, for large ones
BACK_SHARE = 0.75  # a command that falls back below this of its step was no step
DEAD_SHARE = 0.10
CLEAN_RPM_SHARE = 0.05  # with rpm and throttle within these, a step of MAP belongs to the valve
CLEAN_THROTTLE_POINTS = 1.0
CLEAN_STEP_KPA = 1.5
CLEAN_SIGMAS = 5.0


@dataclass(frozen=True, slots=True)
class Response:
    """One answered step: seconds until the valve was a tenth, 63 and 90 % of the way."""

    dead_s: float
    t63_s: float
    t90_s: float


def reached_s(trace: FloatArray, start: float, end: float, share: float) -> float | None:
    """When a trace first came ``share`` of the way from start to end, in seconds from its first
    frame, between frames by straight line; None if it never did."""
    way = (trace - start) / (end - start)
    there = np.flatnonzero(way >= share)
    if not len(there):
        return None
    index = int(there[0])
    if index == 0:
        return 0.0
    before = float(way[index - 1])
    return (index - 1 + (share - before) / (float(way[index]) - before)) * FRAME_S


def respond(command: FloatArray, position: FloatArray) -> Response | None:
    """How the position answered one change of command; None where there was no clean step, or
    the valve did not move at all.

    Both of shape (BEFORE + n,), n at least LEAST_AFTER, in points above the shut place.
    """
    if len(command) < BEFORE + LEAST_AFTER or np.isnan(command).any():
        return None
    known = _held(position)
    if known is None:
        return None
    position = known
    start, end = float(command[:BEFORE].mean()), float(command[-END:].mean())
    if not _is_step(command, start, end):
        return None
    rest, place = float(position[:BEFORE].mean()), float(position[-END:].mean())
    if abs(place - rest) < MOVED_POINTS or (place > rest) != (end > start):
        return None
    times = []
    for share in (DEAD_SHARE, 0.63, 0.90):
        asked, came = (
            reached_s(command, start, end, share),
            reached_s(position, rest, place, share),
        )
        if asked is None or came is None:
            return None
        times.append(max(0.0, round(came - asked, 3)))
    return Response(times[0], times[1], times[2])


def _held(position: FloatArray) -> FloatArray | None:
    """Unknown frames take the last known value: a control unit that says only "not shut" on the
    way down is taken to have arrived when it says "shut"."""
    if np.isnan(position[:BEFORE]).any() or np.isnan(position[-END:]).any():
        return None
    index = np.where(np.isnan(position), 0, np.arange(len(position)))
    held: FloatArray = position[np.maximum.accumulate(index)]
    return held


def _is_step(command: FloatArray, start: float, end: float) -> bool:
    step = abs(end - start)
    if step < STEP_POINTS:
        return False
    steady = max(STEADY_POINTS, STEADY_SHARE * step)
    if np.ptp(command[:BEFORE]) > steady or np.ptp(command[-END:]) > steady:
        return False
    way = (command - start) / (end - start)
    arrived = int(np.flatnonzero(way >= 0.9)[0])
    return bool(way[arrived:].min() >= BACK_SHARE and way.max() <= 2 - BACK_SHARE)


def respond_by_pressure(
    command: FloatArray, kpa: FloatArray, rpm: FloatArray, throttle: FloatArray
) -> Response | None:
    """The same from manifold pressure where nothing else moved: how soon the gas is felt.

    None unless speed and throttle stood still and the step stands clear of its noise.
    """
    if np.isnan(kpa).any() or not is_clean(rpm, throttle):
        return None
    noise = np.hypot(kpa[:BEFORE].std(), kpa[-END:].std())
    step = abs(float(kpa[-END:].mean() - kpa[:BEFORE].mean()))
    if step < max(CLEAN_STEP_KPA, CLEAN_SIGMAS * float(noise)):
        return None
    scale = MOVED_POINTS / CLEAN_STEP_KPA  # so that the least step counts as a movement
    return respond(command, kpa * scale * (1 if kpa[-1] > kpa[0] else -1) * _way(command))


def _way(command: FloatArray) -> int:
    return 1 if command[-1] > command[0] else -1


def is_clean(rpm: FloatArray, throttle: FloatArray) -> bool:
    """Whether speed and throttle stood still enough for a contrast (5 %, 1 point; customary)."""
    if np.isnan(rpm).any() or np.isnan(throttle).any():
        return False
    return bool(
        np.ptp(rpm) <= CLEAN_RPM_SHARE * rpm.mean() and np.ptp(throttle) <= CLEAN_THROTTLE_POINTS
    )


def aba_kpa(before_kpa: float, open_kpa: float, after_kpa: float) -> float:
    """Contrast of open against the mean of shut before and after, which halves drift."""
    return open_kpa - (before_kpa + after_kpa) / 2
