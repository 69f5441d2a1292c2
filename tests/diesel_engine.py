"""A compression-ignition engine for tests, written from masses and temperatures and not from the
estimator's relation: the cylinder takes a volume, the gases mix by their own heat, and what is
not exhaust is air. Turbocharged, without a throttle, a cooled loop whose flow follows the square
root of the pressure across it, which itself rises with speed and boost.
"""

from __future__ import annotations

import numpy as np

from plain_engine import as_series
from sootsayer.model import FloatArray, Series

DISPLACED_M3 = 1.968e-3
J_PER_KG_K = 287.0
COOLER_OUT_K = 390.0
STEP_S = 0.5
# (seconds, rpm, pedal 0..1, km/h): idle, town, cruise, hill, overrun, full load, idle
LAP = (
    (40, 830, 0.0, 0), (30, 1500, 0.2, 40), (20, 1700, 0.0, 45), (60, 1900, 0.3, 70),
    (30, 2400, 0.45, 90), (20, 2300, 0.0, 85), (15, 3200, 1.0, 110), (60, 2200, 0.35, 95),
    (25, 1600, 0.15, 50), (30, 830, 0.0, 0),
)  # fmt: skip


def fills(rpm: FloatArray, kpa: FloatArray) -> FloatArray:
    """Volumetric efficiency: a hump over speed, a little better with boost."""
    hump: FloatArray = 0.88 - 0.05 * ((rpm - 2200) / 1400) ** 2
    return hump + 0.02 * (kpa - 100) / 100


def intake(
    rpm: FloatArray, kpa: FloatArray, air_k: FloatArray, area: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """(air, exhaust) in g/s. The mixture's temperature and the two shares are found together."""
    exhaust_kpa = kpa + 4 + 18 * (rpm / 3000) ** 2
    density_up = exhaust_kpa * 1e3 / (J_PER_KG_K * COOLER_OUT_K)
    gas = area * np.sqrt(2 * density_up * (exhaust_kpa - kpa) * 1e3) * 1e3
    volume = DISPLACED_M3 * rpm / 120 * fills(rpm, kpa)
    air = np.zeros_like(rpm) + 20.0
    for _ in range(60):
        mixed_k = (air * 1.005 * air_k + gas * 1.10 * COOLER_OUT_K) / (air * 1.005 + gas * 1.10)
        whole = kpa * 1e3 / (J_PER_KG_K * mixed_k) * volume * 1e3
        air = np.maximum(0.5, 0.5 * air + 0.5 * (whole - gas))
    return air, gas


def recording(
    passage: float = 1.0, always_open: bool = False, trips: int = 3, laps: int = 5, seed: int = 1
) -> list[Series]:
    """Drives as the car would tell them. ``passage``: share of the loop that is left."""
    generator = np.random.default_rng(seed)
    columns: dict[str, list[FloatArray]] = {}
    for trip in range(trips):
        index = np.tile(np.repeat(np.arange(len(LAP)), [int(s[0] / STEP_S) for s in LAP]), laps)
        n = len(index)
        lap = np.array(LAP, dtype=float)[index]
        seconds = np.arange(n) * STEP_S
        slow = np.repeat(generator.normal(0, 1, (2, n // 40 + 1)), 40, axis=1)[:, :n]
        rpm = lap[:, 1] * (1 + 0.02 * slow[0]) + generator.normal(0, 4, n)
        pedal = np.clip(lap[:, 2] * (1 + 0.1 * slow[1]), 0, 1)
        ect = np.minimum(88.0, 10 + seconds * 0.12)
        kpa = 100 + 110 * pedal * np.clip((rpm - 1000) / 1500, 0, 1) + generator.normal(0, 0.4, n)
        asked = np.where(lap[:, 2] > 0.9, 0.0, 55 - 70 * pedal)
        asked = np.where((lap[:, 2] == 0) & (lap[:, 3] > 20), 0.0, asked)  # overrun
        asked = np.where(ect < 40, 0.0, np.clip(asked, 0, 60))
        if always_open:
            asked = np.maximum(asked, 12.0)
        air_k = 273.15 + 28 + 18 * pedal
        air, _ = intake(rpm, kpa, air_k, asked / 100 * 1.6e-4 * passage)
        values = {
            "rpm": rpm, "vss": lap[:, 3], "map": kpa,
            "maf": air * (1 + generator.normal(0, 0.01, n)),
            "tp": 100 * pedal, "ect": ect, "iat": air_k - 273.15, "baro": 0 * ect + 100,
            "egr_pct": asked, "egr_err": 0 * ect,
        }  # fmt: skip
        columns.setdefault("t_ms", []).append(1_760_000_000_000 + trip * 21_600_000 + seconds * 1e3)
        for name, column in values.items():
            columns.setdefault(name, []).append(column)
    t_ms = np.concatenate(columns.pop("t_ms"))
    return [as_series(name, t_ms, np.concatenate(parts)) for name, parts in columns.items()]
