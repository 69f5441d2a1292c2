"""The running states: who drives how, three-valued.

A state is 1 where all its conditions are true, 0 where any is false, else unknown (NaN). All
conditions of a block are compared at once.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from sootsayer.model import FloatArray

RUNNING_RPM = 400.0
TURNING_RPM = 50.0

# Conditions: what is looked at, and the limit which it must at least reach, or stay below.
# "warm" is the vehicle's own limit for ``ect``; "part" is the share of the throttle's span;
# "shut" is 1 with the foot off, "drive" 0 in park or neutral (J1979's ``n_d_stat``).
AT_LEAST: Mapping[str, tuple[str, float]] = {
    "runs": ("rpm", RUNNING_RPM), "turns": ("rpm", TURNING_RPM), "pulls": ("rpm", 1300.0),
    "revs": ("rpm", 1200.0), "warm": ("ect", float("nan")), "pressed": ("part", 0.08),
    "floored": ("part", 0.85), "moves": ("speed", 15.0), "glides": ("speed", 30.0),
    "travels": ("speed", 40.0), "shut": ("shut", 0.5),
}  # fmt: skip
BELOW: Mapping[str, tuple[str, float]] = {
    "slow": ("rpm", RUNNING_RPM), "easy": ("rpm", 3200.0), "cold": ("ect", 40.0),
    "light": ("part", 0.60), "stands": ("speed", 2.0), "free": ("drive", 0.5),
}  # fmt: skip
STATES: Mapping[str, tuple[str, ...]] = {
    "running": ("runs",),
    "cranking": ("turns", "slow"),
    "warm": ("warm",),
    "cold": ("runs", "cold"),
    "idle": ("runs", "warm", "shut", "stands"),
    "cruise": ("warm", "pulls", "easy", "pressed", "light", "travels"),
    "wide open": ("runs", "floored"),
    "coast": ("shut", "glides", "revs"),
    "rolling": ("runs", "moves"),
    "neutral": ("free",),
    "idle in neutral": ("runs", "warm", "shut", "stands", "free"),
}

_CONDITIONS = (*AT_LEAST, *BELOW)
_LOOKED_AT = ("rpm", "speed", "ect", "part", "shut", "drive")
_PLACES = np.array([_LOOKED_AT.index(name) for name, _ in (*AT_LEAST.values(), *BELOW.values())])
_MOST = max(len(names) for names in STATES.values())
# Conditions of each state, the last one repeated so that all have equally many.
_MEMBERS = np.array([
    [_CONDITIONS.index(name) for name in (*names, *[names[-1]] * (_MOST - len(names)))]
    for names in STATES.values()
])  # fmt: skip


class States:
    """Tells the states of one vehicle's blocks."""

    def __init__(self, warm_c: float) -> None:
        limits = {**AT_LEAST, "warm": ("ect", warm_c), **BELOW}
        self._limits = np.array([limit for _, limit in limits.values()])[:, None]

    def of(
        self, rpm: FloatArray, speed: FloatArray, ect: FloatArray, part: FloatArray,
        shut: FloatArray, drive: FloatArray,
    ) -> dict[str, FloatArray]:  # fmt: skip
        """Every state by name; columns as ``AT_LEAST`` names them."""
        values = np.array([rpm, speed, ect, part, shut, drive])[_PLACES]
        reached, under = values >= self._limits, values < self._limits
        least = len(AT_LEAST)
        true = np.concatenate([reached[:least], under[least:]])
        false = np.concatenate([under[:least], reached[least:]])
        holds, fails = true[_MEMBERS].all(axis=1), false[_MEMBERS].any(axis=1)
        rows = np.where(fails, 0.0, np.where(holds, 1.0, np.nan))
        return dict(zip(STATES, rows, strict=True))
