"""Flow of gas through restrictions and what hot gas does to the charge: physics without a car.

Isentropic flow as in NACA Report 1135; mixing by the heat that both streams bring along.
"""

from __future__ import annotations

import numpy as np

from sootsayer.model import FloatArray

R_AIR = 0.287  # kJ/(kg·K)
GAMMA = 1.4
GAMMA_EXHAUST = 1.33
STANDARD_KPA = 101.325
# Exhaust before the valve for the conversion of flow to area: ± 15 % for what they may be, and
# ± 20 % for how hot the gas arrives.
EXHAUST_KPA = 105.0
EXHAUST_K = 650.0
CHOKED_RATIO = 0.5
NEARLY_EQUAL = 0.9
AREA_ERROR = 0.25
# Temperature at which recirculated gas reaches the manifold, after the passage has cooled it.
# Between 100 °C (cooled) and 300 °C (short passage): 180 °C ± 90. It scales gas_pct and areas.
GAS_AT_MANIFOLD_K = 453.0
GAS_SHARE_ERROR = 0.20  # of the share: what ± 90 K of that temperature make of it
CP_RATIO = 1.11  # exhaust to air at these temperatures, from pure-gas tables; 1.14 at 600 °C


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


_CHOKED = float(compressible(np.array([CHOKED_RATIO]), GAMMA_EXHAUST)[0])


def orifice_g_s(
    area_mm2: float,
    upstream_kpa: float,
    upstream_k: float,
    ratio: float,
    gamma: float = GAMMA_EXHAUST,
) -> float:
    """Mass flow in g/s through an effective area. Source: as ``compressible``; R of air."""
    psi = float(compressible(np.array([ratio]), gamma)[0])
    area_m2, upstream_pa = area_mm2 * 1e-6, upstream_kpa * 1e3
    return area_m2 * upstream_pa / float(np.sqrt(R_AIR * 1e3 * upstream_k)) * psi * 1e3


def choked_part(map_kpa: FloatArray, baro_kpa: float) -> FloatArray:
    """Flow through an open valve from the exhaust as part of what it passes when choked, by
    manifold and barometric pressure. Near wide open throttle the exhaust's pulses drive it more
    than mean pressures do, so it is held at what it is at a ratio of ``NEARLY_EQUAL``."""
    exhaust_kpa = EXHAUST_KPA * baro_kpa / STANDARD_KPA
    ratio = np.minimum(map_kpa / exhaust_kpa, NEARLY_EQUAL)
    part: FloatArray = compressible(ratio, GAMMA_EXHAUST) / _CHOKED
    return part


def orifice_part(difference_kpa: float, due_kpa: float) -> float:
    """Flow through a measuring orifice as part of what is due, from its pressure difference and
    the one that is due: m = C·√(Δp·p/T), so four times Δp is twice the flow."""
    return float(np.sqrt(difference_kpa / due_kpa)) if due_kpa > 0 else 0.0


def mixed_k(air_g_s: float, air_k: float, gas_g_s: float, gas_k: float) -> float:
    """Temperature of the charge once air and recirculated gas have mixed."""
    air_heat, gas_heat = air_g_s, CP_RATIO * gas_g_s
    return (air_heat * air_k + gas_heat * gas_k) / (air_heat + gas_heat)


def gas_from_displaced(displaced_g_s: float, air_g_s: float, air_k: float) -> float:
    """Mass flow of the gas that displaced so much air, in g/s.

    The cylinders draw a volume. With the valve shut it would hold air + displaced at the air's
    temperature; now it holds air + gas at the mixture's: (a + g)·T_m = (a + d)·T_a, a quadratic
    in g with T_m as in ``mixed_k``, solved exactly.
    """
    if air_g_s <= 0:
        return displaced_g_s / displacing(air_k)
    warm = CP_RATIO * GAS_AT_MANIFOLD_K / air_k
    due = air_g_s + displaced_g_s
    linear = air_g_s * (1 + warm) - CP_RATIO * due
    constant = -displaced_g_s * air_g_s
    root = linear**2 - 4 * warm * constant
    return (-linear + float(np.sqrt(max(root, 0.0)))) / (2 * warm)


def displacing(air_k: float) -> float:
    """Grams of air that a gram of gas displaces, as long as it is little beside the air: the
    slope of the quadratic above at no gas. At 20 % gas it is 1 % less."""
    return 1 + CP_RATIO * (GAS_AT_MANIFOLD_K / air_k - 1)


def area_mm2(displaced_g_s: float, charge_k: float) -> float:
    """Effective area that passes the gas which displaced so much air, choked, at sea level.

    About 0.15 g/s per mm² at 105 kPa and 650 K.
    """
    gas_g_s = displaced_g_s / displacing(charge_k)
    return gas_g_s / orifice_g_s(1.0, EXHAUST_KPA, EXHAUST_K, CHOKED_RATIO)


def gas_share(displaced_g_s: float, air_g_s: float, charge_k: float) -> float:
    """Mass fraction of exhaust in the charge from the air it displaced."""
    gas_g_s = gas_from_displaced(displaced_g_s, air_g_s, charge_k)
    whole = gas_g_s + air_g_s
    return gas_g_s / whole if whole > 0 else 0.0
