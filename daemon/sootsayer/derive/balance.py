"""The gas balance: how much exhaust the intake takes in, from what the engine breathes.

The cylinder relation (see ``cylinder``) is learned while the valve is shut, over cold and warm
driving, idle, coast and wide open together; then it is held and what is missing while the valve
is open is the gas. Two forms, by what the car measures: MAP and MAF, or MAP and throttle. Under
compression ignition a full opening displaces a share of the charge instead of a constant mass
flow, since its valve is not choked and nothing throttles the air.

The leak is a constant mass flow because a shut valve's leak is choked, while the pumping offset
scales with speed, so a leak present since the first day is still told apart.
"""

from __future__ import annotations

import numpy as np

from sootsayer.derive.cylinder import (
    FIXED_BREATHING,
    KNOTS_PCT,
    Rows,
    idle_rows,
    make_rows,
)
from sootsayer.derive.fuel_trims import FuelTrims
from sootsayer.derive.gains import UNKNOWN_DISPLACEMENT_L, Gains, smoothed
from sootsayer.derive.orifice import STANDARD_KPA
from sootsayer.derive.quantities import Quantities
from sootsayer.model import BoolArray, FloatArray

HUBER = 1.5  # robust limit in standard deviations, customary value
# What bounding at that limit leaves of the variance of normal scatter (Huber 1964).
HUBER_VARIANCE = 0.7785
STRETCH_ROWS = 15  # half a minute: rounding and a driver's foot hold so long
STRETCH_GAP_MS = 20_000
LEAST_STRETCHES = 12  # before, neighbours alone tell how rows resemble each other
REPAIR_MEMORY = 0.1
TRIP_MEMORY = 0.97  # weight a trip keeps when the next begins: about thirty trips count
TRIM_RAIL_PCT = 20.0  # trims near their end stop tell that there is more air, not how much
TRIM_DOUBT_PCT = 2.0  # of idle air: what trims leave open about air past the meter
LEAK = 5  # place of the leak among the coefficients
FORGOTTEN = ("gram", "moment", "stretches", "stretch_square", "stretch_weight")
LEAST_ROWS = 45  # a minute and a half of settled driving with the valve shut


class FlowBalance(Gains):
    """The learned breathing of this engine and how surely it is known."""

    kept = (
        "mode", "gram", "moment", "rows", "weight", "square", "product", "last_residual",
        "stretch_sum", "stretch_rows", "stretch_ms", "stretches", "stretch_square",
        "stretch_weight",
        "coefficients", "covariance", "leak_variance", "baro_kpa", "idle_air_g_s",
        "trims", *Gains.kept,
    )  # fmt: skip

    def __init__(
        self, displacement_l: float | None, only: str = "", compression: bool = False,
        stated_area_mm2: float | None = None,
    ) -> None:  # fmt: skip
        super().__init__(displacement_l, compression, stated_area_mm2)
        self._only = only
        self._known_displacement = displacement_l is not None
        self._displacement_l = displacement_l or UNKNOWN_DISPLACEMENT_L
        self.mode = ""  # "maf", "throttle"
        self.baro_kpa = STANDARD_KPA
        self.idle_air_g_s = float("nan")
        self.trims = FuelTrims()
        self._prior_mean = np.zeros(0)
        self._prior_sd = np.zeros(0)
        self._reset(0)

    def _reset(self, size: int) -> None:
        self.gram = np.zeros((size, size))
        self.moment = np.zeros(size)
        self.rows = 0.0
        self.weight = 0.0
        self.square = 0.0
        self.product = 0.0
        self.last_residual = 0.0
        self.stretch_sum = 0.0  # of the residuals of the stretch that runs
        self.stretch_rows = 0
        self.stretch_ms = 0  # its newest block
        self.stretches = 0.0
        self.stretch_square = 0.0  # squared sums of whole stretches
        self.stretch_weight = 0.0  # and their rows
        self.coefficients = np.zeros(size)
        self.covariance = np.zeros((size, size))
        self.leak_variance = 0.0  # as measured, however it is bounded

    def recall(self, state: dict[str, object]) -> None:
        self._start_mode(str(state["mode"]))
        super().recall(state)

    def ready(self) -> bool:
        return bool(self.mode) and self.rows >= LEAST_ROWS

    def after_repair(self) -> None:
        """Let what was learned before a repair count a tenth, so that the engine as it is now
        soon outweighs it, while openings can be judged from the first trip on."""
        for name in (*FORGOTTEN, "weight", "square", "product"):
            setattr(self, name, getattr(self, name) * REPAIR_MEMORY)
        self.trims.fade(REPAIR_MEMORY)
        self.forget_gains()

    def _begin_anew(self) -> None:
        self._reset(len(self.moment))
        self.trims.fade(0.0)
        self.forget_gains()

    def new_trip(self) -> None:
        for name in (*FORGOTTEN, "rows", "weight", "square", "product"):
            setattr(self, name, getattr(self, name) * TRIP_MEMORY)
        self.trims.fade(TRIP_MEMORY)

    def step(self, q: Quantities, opening: FloatArray, learn: bool = True) -> Rows | None:
        """Rows of this block; learns from those with the valve shut, unless an input it rests
        on is accused (``learn``). None where not seen."""
        self._learn_baro(q)
        has_maf = not np.isnan(q.maf).all()
        if np.isnan(q.map).all() or np.isnan(q.rpm).all():
            return None
        self._choose_mode(has_maf, not np.isnan(q.throttle).all())
        if not self.mode or (self.mode == "maf" and not has_maf):
            return None
        rows = make_rows(
            q, opening, self.mode, self._displacement_l, self.baro_kpa, self.compression
        )
        shut = rows.usable & (rows.opening < 0.01)
        if learn and shut.any():
            self._learn_idle(q, rows, shut)
            self.trims.learn(q)
            if self.mode == "maf":
                shut = self.trims.believed(q, rows, shut)
                if self.trims.began_wrong():
                    self._begin_anew()
        if learn and shut.any():
            self._learn(rows.features[shut], rows.target[shut], q.block.start_ms)
        return rows

    def displaced(
        self, features: FloatArray, target: float, rows: int
    ) -> tuple[float, float, float]:
        """Air missing in g/s, its standard deviation, and the part of that which the engine's
        breathing brings and all openings share; for mean features over ``rows`` rows."""
        sign = 1.0 if self.mode == "maf" else -1.0
        missing = sign * (float(features @ self.coefficients) - target)
        variance = float(features @ self.covariance @ features)
        scatter = self.sigma() ** 2 * self.inflation() / max(rows, 1)
        return missing, float(np.sqrt(variance + scatter)), float(np.sqrt(variance))

    def leak_g_s(self) -> tuple[float, float] | None:
        """Gas that passes the shut valve and its standard deviation, None where not separable.

        Air that enters behind the air meter is missing from the balance in the same way, but
        the fuel trims betray it: they rise at idle by its share, and gas leaves them alone.
        """
        if self.mode != "maf" or not self.ready() or np.isnan(self.idle_air_g_s):
            return None
        if self.compression:  # nothing is choked, so a leak looks like breathing
            return None
        if self.trims.idle_pct > TRIM_RAIL_PCT:
            return None
        missing, variance = float(self.coefficients[LEAK]), self.leak_variance
        doubt = TRIM_DOUBT_PCT / 100 * self.idle_air_g_s
        return missing - self.unmetered_air_g_s(), float(np.sqrt(variance + doubt**2))

    def unmetered_air_g_s(self) -> float:
        """Air past the meter, from the trims at idle against those under load; 0 if not seen."""
        share = self.trims.unmetered_share()
        return share * self.idle_air_g_s if share else 0.0

    def meter_doubt_g_s(self, trim_pct: float, air_g_s: float) -> float:
        """By how much the air meter may be off by the trims of the same time."""
        return self.trims.doubt(trim_pct) * air_g_s if self.mode == "maf" else 0.0

    def sigma(self) -> float:
        """Scatter of one row in g/s; before anything is known, three per cent of 15 g/s."""
        if self.weight <= 10:
            return 0.45
        return float(np.sqrt(self.square / self.weight / HUBER_VARIANCE))

    def inflation(self) -> float:
        """By how much the variance of a mean is more than that of independent rows.

        Rows of one stretch resemble each other: rounding of a steady pressure, a foot that
        holds. Squared sums over whole stretches against sums of squares tell it, and neighbours
        do, by (1 + r)/(1 − r): the greater counts, as either is uncertain itself.
        """
        if self.square <= 0:
            return 1.0
        resemblance = min(0.9, max(0.0, self.product / self.square))
        by_neighbours = (1 + resemblance) / (1 - resemblance)
        if self.stretches < LEAST_STRETCHES:
            return by_neighbours
        independent = self.stretch_weight * self.square / self.weight
        return max(by_neighbours, self.stretch_square / independent)

    def breathing(self) -> float:
        """Mass-flow slope s: what the engine draws per kPa against a perfect pump."""
        return float(self.coefficients[0]) if self.mode == "maf" else FIXED_BREATHING

    # ------------------------------------------------------------ learning

    def _choose_mode(self, has_maf: bool, has_throttle: bool) -> None:
        """Air mass is the better witness; throttle is taken where there is none, or on request."""
        if has_maf and self._only != "throttle":
            if self.mode != "maf":
                self._start_mode("maf")
        elif has_throttle and not self.mode and not self.compression:
            self._start_mode("throttle")

    def _start_mode(self, mode: str) -> None:
        self.mode = mode
        self._reset({"maf": 6, "throttle": len(KNOTS_PCT) + 1}.get(mode, 0))
        loose = 1.0 if self._known_displacement else 8.0
        if mode == "maf":
            self._prior_mean = np.array([0.95, 0.0, 0.0, 0.0, 6.0, 0.0])
            self._prior_sd = np.array(
                [0.2 * loose, 0.1 * loose, 0.2 * loose, 0.1, 4.0 * loose, 4.0]
            )
        elif mode == "throttle":
            knots = len(KNOTS_PCT)
            # A bore of 60 mm wide open has about 100 in these units (g·√K/(s·kPa)); loose.
            self._prior_mean = np.array([*[0.0] * knots, 6.0])
            self._prior_sd = np.array([*[50.0] * knots, 2.0])

    def _learn_baro(self, q: Quantities) -> None:
        known = q.baro[~np.isnan(q.baro)]
        if len(known):
            self.baro_kpa = float(known[-1])
            return
        standing = q.map[(q.rpm < 1) & ~np.isnan(q.map)]
        if len(standing) and 60 < standing[-1] < 110:
            self.baro_kpa = float(standing[-1])

    def _learn(self, features: FloatArray, target: FloatArray, t_ms: int) -> None:
        weights = np.ones(len(target))
        if self.ready():
            residual = target - features @ self.coefficients
            limit = HUBER * self.sigma()
            weights = np.minimum(1.0, limit / np.maximum(np.abs(residual), 1e-12))
            self._learn_scatter(residual, weights, t_ms)
        self.gram += (features * weights[:, None]).T @ features
        self.moment += (features * weights[:, None]).T @ target
        self.rows += len(target)
        self._solve()

    def _learn_scatter(self, residual: FloatArray, weights: FloatArray, t_ms: int) -> None:
        bounded = residual * weights  # winsorised, so that a fault does not widen the scatter
        self.square += float(np.sum(bounded**2))
        self.weight += float(len(residual))
        chain = np.concatenate([[self.last_residual], bounded])
        self.product += float(np.sum(chain[1:] * chain[:-1]))
        self.last_residual = float(bounded[-1])
        if t_ms - self.stretch_ms > STRETCH_GAP_MS or self.stretch_rows >= STRETCH_ROWS:
            self._end_stretch()
        self.stretch_sum += float(bounded.sum())
        self.stretch_rows += len(bounded)
        self.stretch_ms = t_ms

    def _end_stretch(self) -> None:
        if self.stretch_rows:
            self.stretches += 1
            self.stretch_square += self.stretch_sum**2
            self.stretch_weight += self.stretch_rows
        self.stretch_sum, self.stretch_rows = 0.0, 0

    def _solve(self) -> None:
        precision = 1.0 / self._prior_sd**2
        variance = self.sigma() ** 2
        inverse = np.linalg.inv(self.gram / variance + np.diag(precision))
        self.coefficients = inverse @ (self.moment / variance + precision * self._prior_mean)
        self.covariance = np.asarray(inverse * self.inflation())
        if self.mode == "maf":
            self.leak_variance = float(self.covariance[LEAK, LEAK])
            # No shut valve takes gas away; what fits so best is a breathing that is not known
            # well enough yet, so the others are fitted without it.
            if self.coefficients[LEAK] < 0 and not self.compression:
                self._without_leak()

    def _without_leak(self) -> None:
        """Bound the leak at nothing: the normal law of the others, given that there is none."""
        part = self.covariance[:, LEAK] / self.leak_variance
        self.coefficients = self.coefficients - part * self.coefficients[LEAK]
        self.covariance = self.covariance - np.outer(part, self.covariance[LEAK])

    def _learn_idle(self, q: Quantities, rows: Rows, shut: BoolArray) -> None:
        idle = idle_rows(q) & shut
        for air in rows.air_g_s[idle].tolist():
            self.idle_air_g_s = smoothed(self.idle_air_g_s, air)
