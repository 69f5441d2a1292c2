"""What a block says of the cylinder relation: settled rows of features and target.

MAP and MAF:   maf = k·N·p/T·(s + c·N + q·p − h·(T_coolant − T_intake)) − y·k·N/T − leak
MAP, throttle: k·N·(s·p − y)/T = Σ A_j·knot_j(throttle)·p_b/√T·Ψ(p/p_b), with s fixed, since
               at one throttle place MAP hardly varies while the valve is shut

k = V_d/(120·R). Standard ways of speed-density metering (Heywood, Internal Combustion Engine
Fundamentals, ch. 2.10 and 7.6).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sootsayer.derive.frames import BLOCK_FRAMES
from sootsayer.derive.orifice import (
    STANDARD_KPA,
    choked_part,
    compressible,
    density_flow_g_s,
)
from sootsayer.derive.quantities import SPINDOWN_RPM, Quantities
from sootsayer.model import BoolArray, FloatArray
from sootsayer.units import KELVIN_AT_0_C

ROW_FRAMES = 4  # one row is the mean of two settled seconds
ROWS = BLOCK_FRAMES // ROW_FRAMES
FIXED_BREATHING = 0.92  # with throttle instead of MAF only products are seen; common practice
NEARLY_OPEN = 0.85  # MAP over barometric; above it the throttle hardly restricts anything
KNOTS_PCT = np.array([0.0, 5, 10, 15, 20, 28, 40, 60, 100])  # dense where the plate is steep


@dataclass(frozen=True, slots=True)
class Rows:
    """Five two-second means of one block. ``known``: of a running engine, nothing missing;
    ``usable``: settled as well.

    ``features`` (5, p) and ``target`` (5,) so that target = features @ coefficients holds while
    no gas flows; ``sign`` makes sign·(features @ coefficients − target) the displaced air.
    """

    known: BoolArray
    usable: BoolArray
    features: FloatArray
    target: FloatArray
    sign: float
    air_g_s: FloatArray
    density_g_s_kpa: FloatArray  # density flow per kPa, to turn displaced air into a MAP step
    charge_k: FloatArray
    opening: FloatArray  # 0..1, position where measured, else command
    # What a gain is multiplied with: barometer over sea level, since exhaust pressure falls with
    # it, less where the manifold does not choke the valve; under compression ignition density.
    scale: FloatArray
    trim_pct: FloatArray  # what fuel control adds to the fuel that the air meter asks for


def row_means(*columns: FloatArray) -> FloatArray:
    """Means of the block's rows, shape (k, 5) of k columns: all at once, since calls cost more
    than arithmetic here."""
    means: FloatArray = np.array(columns).reshape(-1, ROWS, ROW_FRAMES).mean(axis=2)
    return means


def idle_rows(q: Quantities) -> BoolArray:
    """Which of the block's rows lie at idle from end to end, shape (5,)."""
    idle: BoolArray = (q.states["idle"] == 1).reshape(ROWS, ROW_FRAMES).all(axis=1)
    return idle


def make_rows(
    q: Quantities, opening: FloatArray, mode: str, displacement_l: float, baro_kpa: float,
    compression: bool,
) -> Rows:  # fmt: skip
    """Rows of one block for the balance in this ``mode``: "maf" or "throttle"."""
    intake_c, rpm, map_kpa, maf, throttle, coolant_c, opening_mean, trim_mean = row_means(
        q.iat, q.rpm, q.map, q.maf, q.throttle, q.ect, opening, q.trim_pct()
    )
    charge_k = intake_c + KELVIN_AT_0_C
    per_kpa = density_flow_g_s(displacement_l, rpm, np.ones(ROWS), charge_k)
    density = per_kpa * map_kpa
    if mode == "maf":
        features = _by_air_mass(coolant_c + KELVIN_AT_0_C, rpm, map_kpa, charge_k, per_kpa)
        target, sign = maf, 1.0
        air = target
    else:
        through = baro_kpa / np.sqrt(charge_k) * compressible(map_kpa / baro_kpa)
        knots = _hats(throttle) * through[:, None]
        features = np.column_stack([knots, per_kpa])
        target, sign = FIXED_BREATHING * density, -1.0
        features[map_kpa > NEARLY_OPEN * baro_kpa] = np.nan
        air = target
    whole = np.isfinite(features).all(axis=1) & np.isfinite(target) & np.isfinite(opening_mean)
    calm = q.settled.reshape(ROWS, ROW_FRAMES).all(axis=1)
    known = whole & (q.rpm.reshape(ROWS, ROW_FRAMES).min(axis=1) > SPINDOWN_RPM)
    scale = density if compression else baro_kpa / STANDARD_KPA * choked_part(map_kpa, baro_kpa)
    return Rows(
        known, known & calm, features, target, sign, air, per_kpa, charge_k, opening_mean, scale,
        trim_mean,
    )  # fmt: skip


def _by_air_mass(
    coolant_k: FloatArray, rpm: FloatArray, map_kpa: FloatArray, charge_k: FloatArray,
    per_kpa: FloatArray,
) -> FloatArray:  # fmt: skip
    heat = np.where(np.isnan(coolant_k), 0.0, coolant_k - charge_k) / 100
    density = per_kpa * map_kpa
    return np.column_stack(
        [
            density,
            density * rpm / 1000,
            density * map_kpa / 100,
            -density * heat,
            -per_kpa,
            -np.ones(ROWS),
        ]
    )


def _hats(throttle_pct: FloatArray) -> FloatArray:
    """Piecewise-linear weights of the knots, shape (n, knots); each row adds up to one."""
    bounded = np.minimum(np.maximum(throttle_pct, KNOTS_PCT[0]), KNOTS_PCT[-1])
    below = np.minimum(np.searchsorted(KNOTS_PCT, bounded, "right") - 1, len(KNOTS_PCT) - 2)
    rise = 1.0 / (KNOTS_PCT[below + 1] - KNOTS_PCT[below])
    above_it = bounded - KNOTS_PCT[below]
    rows, hats = np.arange(len(bounded)), np.zeros((len(bounded), len(KNOTS_PCT)))
    hats[rows, below] = 1.0 - rise * above_it
    hats[rows, below + 1] = rise * above_it
    hats[np.isnan(bounded)] = np.nan
    return hats
