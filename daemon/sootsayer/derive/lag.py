"""With which first-order lag a position follows its command, by least squares over a stretch.

position = offset + gain · lagged(command), for every lag of a grid at once; the lag that leaves
least is taken, and the least one that the scatter does not rule out. Gain and offset are free,
so that a valve that stands short or a sensor that is off is not taken for a slow one. Between
frames the command is taken as a straight line, for which the recursion is exact (first-order
hold, as in any text on sampled systems).
"""

from __future__ import annotations

import numpy as np

from sootsayer.derive.frames import FRAME_S
from sootsayer.model import FloatArray

LAGS_S = np.geomspace(0.05, 12.0, 56)  # ten per cent apart
TO_90 = float(np.log(10.0))  # a first-order lag is nine tenths there after this many of it
WARM_UP = 4  # frames of the lead that are looked at, too
LEAST_FRAMES = 12
MOVED_POINTS = 5.0  # less movement times nothing
EXPLAINED = 0.85  # of the position's variance; below, it does not follow by a lag
LEAST_GAIN, MOST_GAIN = 0.25, 2.0
GRAIN_POINTS = 0.4  # scatter is not believed below the grain of one raw step
SIGMAS = 3.0
ALIKE = 3.0  # neighbouring frames err alike, so that many of them count as one


def lag_of(frames: FloatArray, ahead: int) -> tuple[float, float] | None:
    """(seconds to nine tenths, the same surely not below), None where it cannot be told.

    ``frames``: (n, 2) command and position in points, position NaN where unknown; the first
    ``ahead`` only tell where the lag comes from.
    """
    asked, moved = frames[:, 0], frames[:, 1]
    own = np.arange(len(frames)) >= max(0, ahead - WARM_UP)
    known = own & ~np.isnan(moved)
    place = moved[known]
    if len(place) < LEAST_FRAMES or np.ptp(place) < MOVED_POINTS:
        return None
    followed = lagged(asked)[known]
    gain, left = _fit(followed, place)
    best = int(np.argmin(left))
    whole = float(np.sum((place - place.mean()) ** 2))
    if left[best] > (1 - EXPLAINED) * whole or not LEAST_GAIN <= gain[best] <= MOST_GAIN:
        return None
    variance = max(float(left[best]) / max(len(place) - 3, 1), GRAIN_POINTS**2)
    possible = np.flatnonzero(left <= left[best] + SIGMAS**2 * ALIKE * variance)
    return TO_90 * float(LAGS_S[best]), TO_90 * float(LAGS_S[possible[0]])


def lagged(asked: FloatArray) -> FloatArray:
    """The command behind every lag of the grid, shape (n, lags)."""
    keeps = np.exp(-FRAME_S / LAGS_S)
    ramp = LAGS_S / FRAME_S * (1 - keeps)
    now, before = 1 - ramp, ramp - keeps
    behind = np.empty((len(asked), len(LAGS_S)))
    behind[0] = asked[0]
    for index in range(1, len(asked)):
        behind[index] = keeps * behind[index - 1] + now * asked[index] + before * asked[index - 1]
    return behind


def _fit(followed: FloatArray, place: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Gain and sum of squares left of a straight line through each column."""
    x = followed - followed.mean(axis=0)
    y = place - place.mean()
    square, product = (x * x).sum(axis=0), x.T @ y
    gain = product / np.maximum(square, 1e-9)
    return gain, float(y @ y) - gain * product
