"""The gas balance: how much exhaust the intake takes in, from what the engine breathes.

The cylinder relation is learned while the valve is shut, over cold and warm driving, idle,
coast and wide open together; then it is held and what is missing while the valve is open is
the gas. Two forms, by what the car measures:

MAP and MAF:   maf = k·N·p/T·(s + c·N + q·p − h·(T_coolant − T_intake)) − y·k·N/T − leak
the same for compression ignition, where a full opening displaces a share of the charge instead
of a constant mass flow, since its valve is not choked and nothing throttles the air;
MAP, throttle: k·N·(s·p − y)/T = Σ A_j·knot_j(throttle)·p_b/√T·Ψ(p/p_b), with s fixed, since
               at one throttle place MAP hardly varies while the valve is shut

k = V_d/(120·R). The leak is a constant mass flow because a shut valve's leak is choked, while
y scales with speed, so a leak present since the first day is still told apart. Standard ways of
speed-density metering (Heywood, Internal Combustion Engine Fundamentals, ch. 2.10 and 7.6).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from sootsayer.derive.frames import BLOCK_FRAMES
from sootsayer.derive.keep import Kept
from sootsayer.derive.quantities import SPINDOWN_RPM, Quantities
from sootsayer.model import BoolArray, FloatArray
from sootsayer.units import KELVIN_AT_0_C

R_AIR = 0.287  # kJ/(kg·K)
ROW_FRAMES = 4  # one row is the mean of two settled seconds
ROWS = BLOCK_FRAMES // ROW_FRAMES
GAMMA = 1.4
STANDARD_KPA = 101.325
UNKNOWN_DISPLACEMENT_L = 2.0  # leak and gain are in g/s whatever is assumed here
FIXED_BREATHING = 0.92  # with throttle instead of MAF only products are seen; common practice
HUBER = 1.5  # robust limit in standard deviations, customary value
REPAIR_MEMORY = 0.1
TRIP_MEMORY = 0.97  # weight a trip keeps when the next begins: about thirty trips count
NEARLY_OPEN = 0.85  # MAP over barometric; above it the throttle hardly restricts anything
TRIM_RISE_PCT = 8.0  # below this, trims at idle and under load count as equal; common practice
TRIM_RAIL_PCT = 20.0  # trims near their end stop tell that there is more air, not how much
TRIM_DOUBT_PCT = 2.0  # of idle air: what trims leave open about air past the meter
SMOOTHING = 50  # readings over which idle air and trims are averaged
GAS_PER_LITRE_G_S = 1.2
LOOP_SHARE = 0.20  # of the charge, fully open: common practice for compression ignition is 0.3–0.5
FIRST_OPENINGS = 20  # clear openings that set what this car passed when it was first known
# Exhaust before the valve for the conversion of flow to area; ± 15 % for what they may be.
EXHAUST_KPA = 105.0
EXHAUST_K = 650.0
CHOKED_RATIO = 0.5
AREA_ERROR = 0.15
LEAK = 5  # place of the leak among the coefficients
LEAST_ROWS = 45  # a minute and a half of settled driving with the valve shut
KNOTS_PCT = np.array([0.0, 5, 10, 15, 20, 28, 40, 60, 100])  # dense where the plate is steep
# Temperature at which recirculated gas reaches the manifold, after the passage has cooled it.
# Between 100 °C (cooled) and 250 °C (short passage): 180 °C ± 60. It scales gas_pct only.
GAS_AT_MANIFOLD_K = 453.0
GAS_SHARE_ERROR = 0.15  # of the share: what ± 60 K of that temperature make of it
CP_RATIO = 1.11  # exhaust to air at these temperatures, from pure-gas tables


def density_flow_g_s(
    displacement_l: float, rpm: FloatArray, map_kpa: FloatArray, charge_k: FloatArray
) -> FloatArray:
    """Mass flow in g/s of a four-stroke that fills perfectly: V_d·N·p/(120·R·T)."""
    return displacement_l * rpm * map_kpa / (120 * R_AIR * charge_k)


def compressible(ratio: FloatArray, gamma: float = GAMMA) -> FloatArray:
    """Ψ of a restriction, in m = C_d·A·p_up/√(R·T_up)·Ψ; constant when choked.

    ``ratio``: downstream over upstream pressure. Source: isentropic flow, NACA Report 1135.
    """
    critical = (2 / (gamma + 1)) ** (gamma / (gamma - 1))
    bounded = np.clip(ratio, critical, 1.0)
    lead = 2 * gamma / (gamma - 1)
    flow: FloatArray = np.sqrt(lead * (bounded ** (2 / gamma) - bounded ** ((gamma + 1) / gamma)))
    return flow


def orifice_g_s(
    area_mm2: float, upstream_kpa: float, upstream_k: float, ratio: float, gamma: float = 1.33
) -> float:
    """Mass flow in g/s through an effective area. Source: as ``compressible``; R of air."""
    psi = float(compressible(np.array([ratio]), gamma)[0])
    area_m2, upstream_pa = area_mm2 * 1e-6, upstream_kpa * 1e3
    return area_m2 * upstream_pa / float(np.sqrt(R_AIR * 1e3 * upstream_k)) * psi * 1e3


def area_mm2(displaced_g_s: float, charge_k: float) -> float:
    """Effective area that passes the gas which displaced so much air, choked.

    About 0.15 g/s per mm² at 105 kPa and 650 K.
    """
    gas_g_s = displaced_g_s * charge_k / (CP_RATIO * GAS_AT_MANIFOLD_K)
    return gas_g_s / orifice_g_s(1.0, EXHAUST_KPA, EXHAUST_K, CHOKED_RATIO)


def gas_share(displaced_g_s: float, air_g_s: float, charge_k: float) -> float:
    """Mass fraction of exhaust in the charge from the air it displaced.

    Hot gas takes more room than cool air: m_egr·cp_e·T_e = displaced·cp_a·T_a.
    """
    gas_g_s = displaced_g_s * charge_k / (CP_RATIO * GAS_AT_MANIFOLD_K)
    whole = gas_g_s + air_g_s
    return gas_g_s / whole if whole > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Rows:
    """Five two-second means of one block. ``usable``: settled and fully known.

    ``features`` (5, p) and ``target`` (5,) so that target = features @ coefficients holds while
    no gas flows; ``sign`` makes sign·(features @ coefficients − target) the displaced air.
    """

    usable: BoolArray
    features: FloatArray
    target: FloatArray
    sign: float
    air_g_s: FloatArray
    density_g_s_kpa: FloatArray  # density flow per kPa, to turn displaced air into a MAP step
    charge_k: FloatArray
    opening: FloatArray  # 0..1, position where measured, else command
    scale: FloatArray  # what a gain is multiplied with: 1 where the valve is choked, else density


def _means(column: FloatArray) -> FloatArray:
    means: FloatArray = column.reshape(ROWS, ROW_FRAMES).mean(axis=1)
    return means


class FlowBalance(Kept):
    """The learned breathing of this engine and how surely it is known."""

    kept = (
        "mode", "gram", "moment", "rows", "weight", "square", "product", "last_residual",
        "coefficients", "covariance", "baro_kpa", "idle_air_g_s", "idle_trim_pct",
        "load_trim_pct",
        "gains", "first_gain", "charge_k",
    )  # fmt: skip

    def __init__(
        self, displacement_l: float | None, only: str = "", compression: bool = False
    ) -> None:
        self._only = only
        self.compression = compression
        # Per full opening, of those that flowed: g/s, or share of the charge where not choked.
        self.gains: deque[float] = deque(maxlen=60)
        self.first_gain: list[float] = []  # the same when this car was first known, and its sd
        self.charge_k = 300.0
        self._known_displacement = displacement_l is not None
        self._displacement_l = displacement_l or UNKNOWN_DISPLACEMENT_L
        self.mode = ""  # "maf", "throttle"
        self.baro_kpa = STANDARD_KPA
        self.idle_air_g_s = float("nan")
        self.idle_trim_pct = float("nan")
        self.load_trim_pct = float("nan")
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
        self.coefficients = np.zeros(size)
        self.covariance = np.zeros((size, size))

    def recall(self, state: dict[str, object]) -> None:
        self._start_mode(str(state["mode"]))
        super().recall(state)

    def ready(self) -> bool:
        return bool(self.mode) and self.rows >= LEAST_ROWS

    def after_repair(self) -> None:
        """Let what was learned before a repair count a tenth, so that the engine as it is now
        soon outweighs it, while openings can be judged from the first trip on."""
        for name in ("gram", "moment", "weight", "square", "product"):
            setattr(self, name, getattr(self, name) * REPAIR_MEMORY)
        self.gains.clear()
        self.first_gain = []

    def new_trip(self) -> None:
        for name in ("gram", "moment", "rows", "weight", "square", "product"):
            setattr(self, name, getattr(self, name) * TRIP_MEMORY)

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
        rows = self._rows(q, opening)
        shut = rows.usable & (rows.opening < 0.01)
        if learn and shut.any():
            self._learn(rows.features[shut], rows.target[shut])
            self._learn_idle(q, rows, shut)
            self._learn_trims(q)
        return rows

    def displaced(self, features: FloatArray, target: float, rows: int) -> tuple[float, float]:
        """Air missing in g/s and its standard deviation, for mean features over ``rows`` rows."""
        sign = 1.0 if self.mode == "maf" else -1.0
        missing = sign * (float(features @ self.coefficients) - target)
        variance = float(features @ self.covariance @ features)
        scatter = self.sigma() ** 2 * self.inflation() / max(rows, 1)
        return missing, float(np.sqrt(variance + scatter))

    def leak_g_s(self) -> tuple[float, float] | None:
        """Gas that passes the shut valve and its standard deviation, None where not separable.

        Air that enters behind the air meter is missing from the balance in the same way, but
        the fuel trims betray it: they rise at idle by its share, and gas leaves them alone.
        """
        if self.mode != "maf" or not self.ready() or np.isnan(self.idle_air_g_s):
            return None
        if self.compression:  # nothing is choked, so a leak looks like breathing
            return None
        if self.idle_trim_pct > TRIM_RAIL_PCT:
            return None
        missing, variance = float(self.coefficients[LEAK]), float(self.covariance[LEAK, LEAK])
        doubt = TRIM_DOUBT_PCT / 100 * self.idle_air_g_s
        return missing - self.unmetered_air_g_s(), float(np.sqrt(variance + doubt**2))

    def unmetered_air_g_s(self) -> float:
        """Air past the meter, from the trims at idle against those under load; 0 if not seen."""
        rise_pct = self.idle_trim_pct - self.load_trim_pct
        if np.isnan(rise_pct) or rise_pct < TRIM_RISE_PCT:
            return 0.0
        return rise_pct / 100 * self.idle_air_g_s

    def sigma(self) -> float:
        """Scatter of one row in g/s; before anything is known, three per cent of 15 g/s."""
        return float(np.sqrt(self.square / self.weight)) if self.weight > 10 else 0.45

    def inflation(self) -> float:
        """Neighbouring rows resemble each other: variance grows by (1 + r)/(1 − r)."""
        if self.square <= 0:
            return 1.0
        resemblance = min(0.9, max(0.0, self.product / self.square))
        return (1 + resemblance) / (1 - resemblance)

    def note_flow(
        self, flow: tuple[float, float], opening: float, scale: float, due_g_s: float,
        charge_k: float,
    ) -> None:  # fmt: skip
        """Learn what the fully open valve passes, from openings that clearly flowed.

        ``flow``: displaced air and its sd in g/s; ``scale``: see ``Rows``.
        """
        flow_g_s, sd_g_s = flow
        if opening > 0.05 and flow_g_s > 2 * sd_g_s and flow_g_s > 0.3 * due_g_s:
            self.gains.append(flow_g_s / (opening * scale))
            self.charge_k = _smoothed(self.charge_k, charge_k)
            if not self.first_gain and len(self.gains) >= FIRST_OPENINGS:
                self.first_gain = [self.gain_g_s() or 0.0, self.gain_sd()]

    def gain_g_s(self) -> float | None:
        """Air that the fully open valve displaces: median of the better half of openings.

        In g/s; under compression ignition a share of the charge.
        """
        better = self._better_gains()
        return better[len(better) // 2] if better else None

    def gain_sd(self) -> float:
        """How surely the gain is known: standard error of that median, by median deviation."""
        better = np.array(self._better_gains())
        if not len(better):
            return float("nan")
        spread = 1.4826 * float(np.median(np.abs(better - np.median(better))))
        return 1.2533 * spread / float(np.sqrt(len(better)))

    def _better_gains(self) -> list[float]:
        if len(self.gains) < 5:
            return []
        ordered = sorted(self.gains)
        return ordered[len(ordered) // 2 :]

    def effective_area_mm2(self) -> tuple[float, float] | None:
        """Effective area of the fully open valve and its sd; None where flow is not choked."""
        gain = self.gain_g_s()
        if gain is None or self.compression:
            return None
        area = area_mm2(gain, self.charge_k)
        return area, float(np.hypot(area_mm2(self.gain_sd(), self.charge_k), AREA_ERROR * area))

    def first_area_mm2(self) -> float | None:
        """The same when this car was first known."""
        if not self.first_gain or self.compression:
            return None
        return area_mm2(self.first_gain[0], self.charge_k)

    def due_gain_g_s(self) -> float:
        """What a fully open valve ought to displace: what this car has shown, else its size.

        By size: the lower end of common practice is 1.2 g/s of gas per litre (15–40 mm²
        effective on 2–3.5 L at 0.15 g/s per mm² when choked); hot gas displaces more air than
        its own mass, at a charge of 300 K. Under compression ignition: a share of the charge.
        """
        by_size = LOOP_SHARE if self.compression else self._by_size(GAS_PER_LITRE_G_S)
        shown = self.gain_g_s()
        return max(by_size, shown) if shown is not None else by_size

    def most_gain_g_s(self) -> float | None:
        """What a fully open valve displaced when this car was first known, None before that:
        by size alone valves differ too much to call one too large."""
        return self.first_gain[0] if self.first_gain else None

    def _by_size(self, gas_per_litre_g_s: float) -> float:
        return gas_per_litre_g_s * CP_RATIO * GAS_AT_MANIFOLD_K / 300 * self._displacement_l

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

    def _rows(self, q: Quantities, opening: FloatArray) -> Rows:
        charge_k = _means(q.iat) + KELVIN_AT_0_C
        rpm, map_kpa = _means(q.rpm), _means(q.map)
        per_kpa = density_flow_g_s(self._displacement_l, rpm, np.ones(ROWS), charge_k)
        density = per_kpa * map_kpa
        if self.mode == "maf":
            air = _means(q.maf)
            coolant = _means(q.ect)
            heat = np.where(np.isnan(coolant), 0.0, coolant + KELVIN_AT_0_C - charge_k) / 100
            features = np.column_stack(
                [
                    density,
                    density * rpm / 1000,
                    density * map_kpa / 100,
                    -density * heat,
                    -per_kpa,
                    -np.ones(ROWS),
                ]
            )
            target, sign = air, 1.0
        else:
            psi = compressible(map_kpa / self.baro_kpa)
            through = self.baro_kpa / np.sqrt(charge_k) * psi
            features = np.column_stack(
                [
                    _hats(_means(q.throttle)) * through[:, None],
                    per_kpa,
                ]
            )
            target, sign = FIXED_BREATHING * density, -1.0
            features[map_kpa > NEARLY_OPEN * self.baro_kpa] = np.nan
            air = target
        opening_mean = _means(opening)
        whole = np.isfinite(features).all(axis=1) & np.isfinite(target) & np.isfinite(opening_mean)
        calm = q.settled.reshape(ROWS, ROW_FRAMES).all(axis=1)
        usable = whole & calm & (q.rpm.reshape(ROWS, ROW_FRAMES).min(axis=1) > SPINDOWN_RPM)
        scale = density if self.compression else np.ones(ROWS)
        return Rows(usable, features, target, sign, air, per_kpa, charge_k, opening_mean, scale)

    def _learn(self, features: FloatArray, target: FloatArray) -> None:
        weights = np.ones(len(target))
        if self.ready():
            residual = target - features @ self.coefficients
            limit = HUBER * self.sigma()
            weights = np.minimum(1.0, limit / np.maximum(np.abs(residual), 1e-12))
            self._learn_scatter(residual, weights)
        self.gram += (features * weights[:, None]).T @ features
        self.moment += (features * weights[:, None]).T @ target
        self.rows += len(target)
        self._solve()

    def _learn_scatter(self, residual: FloatArray, weights: FloatArray) -> None:
        bounded = residual * weights  # winsorised, so that a fault does not widen the scatter
        self.square += float(np.sum(bounded**2))
        self.weight += float(len(residual))
        chain = np.concatenate([[self.last_residual], bounded])
        self.product += float(np.sum(chain[1:] * chain[:-1]))
        self.last_residual = float(bounded[-1])

    def _solve(self) -> None:
        precision = 1.0 / self._prior_sd**2
        variance = self.sigma() ** 2
        inverse = np.linalg.inv(self.gram / variance + np.diag(precision))
        self.coefficients = inverse @ (self.moment / variance + precision * self._prior_mean)
        self.covariance = np.asarray(inverse * self.inflation())

    def _learn_idle(self, q: Quantities, rows: Rows, shut: BoolArray) -> None:
        idle = (q.states["idle"] == 1).reshape(ROWS, ROW_FRAMES).all(axis=1) & shut
        for air in rows.air_g_s[idle].tolist():
            self.idle_air_g_s = _smoothed(self.idle_air_g_s, air)

    def _learn_trims(self, q: Quantities) -> None:
        trim = q.block.column("shrtft1") + q.block.column("longft1")
        idle = (q.states["idle"] == 1) & q.settled & ~np.isnan(trim)
        load = (q.states["cruise"] == 1) & q.settled & ~np.isnan(trim)
        if idle.any():
            self.idle_trim_pct = _smoothed(self.idle_trim_pct, float(trim[idle].mean()))
        if load.any():
            self.load_trim_pct = _smoothed(self.load_trim_pct, float(trim[load].mean()))


def _smoothed(known: float, value: float) -> float:
    return value if np.isnan(known) else known + (value - known) / SMOOTHING


def _hats(throttle_pct: FloatArray) -> FloatArray:
    """Piecewise-linear weights of the knots, shape (n, knots); each row adds up to one."""
    hats = np.empty((len(throttle_pct), len(KNOTS_PCT)))
    for index in range(len(KNOTS_PCT)):
        corner = np.zeros(len(KNOTS_PCT))
        corner[index] = 1.0
        hats[:, index] = np.interp(throttle_pct, KNOTS_PCT, corner)
    return hats
