"""A small engine for tests that is not ours: the published mean-value model of Crossley and Cook
(IEE Control '91), with the coefficients that the Modelica Standard Library's engine throttle
control example carries. Flows in g/s, speed in rad/s, manifold pressure in bar, throttle in
degrees. Exhaust is added to the manifold as a second inflow, through a valve of isentropic flow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sootsayer.model import Batch, FloatArray, Scaling, Series
from sootsayer.protocol.j1979 import scaling_of

BARO_BAR = 1.0
EXHAUST_BAR = 1.04  # a little above the barometer, as behind any silencer
GAMMA = 1.33
RAD_S_PER_RPM = 2 * np.pi / 60


def throttle_flow(degrees: FloatArray, bar: FloatArray) -> FloatArray:
    area = 2.821 - 0.05231 * degrees + 0.10299 * degrees**2 - 0.00063 * degrees**3
    below_half = bar <= BARO_BAR / 2
    partly = 2 * np.sqrt(np.maximum(bar * BARO_BAR - bar**2, 0)) / BARO_BAR
    return area * np.where(below_half, 1.0, partly)


def pumped_flow(rad_s: FloatArray, bar: FloatArray) -> FloatArray:
    return -0.366 + 0.08979 * rad_s * bar - 0.0337 * rad_s * bar**2 + 0.0001 * rad_s**2 * bar


def valve_part(bar: FloatArray) -> FloatArray:
    """Gas through the open valve as part of what it passes when choked, from the Mach number in
    its throat (NACA Report 1135, equations 43 and 80)."""
    power = (GAMMA - 1) / GAMMA
    squared = 2 / (GAMMA - 1) * (np.maximum(EXHAUST_BAR / bar, 1.0) ** power - 1)
    mach = np.minimum(np.sqrt(squared), 1.0)
    whole = (1 + (GAMMA - 1) / 2 * mach**2) ** (-(GAMMA + 1) / (2 * (GAMMA - 1)))
    choked: float = ((GAMMA + 1) / 2) ** (-(GAMMA + 1) / (2 * (GAMMA - 1)))
    part: FloatArray = mach * whole / choked
    return part


def manifold_bar(
    degrees: FloatArray, rad_s: FloatArray, open_g_s: FloatArray, leak_g_s: float
) -> FloatArray:
    """Pressure at which what flows in is what is pumped out, by halving. ``open_g_s``: what the
    valve would pass choked."""
    low, high = np.full(len(degrees), 0.05), np.full(len(degrees), 0.999)
    for _ in range(40):
        middle = (low + high) / 2
        gas = open_g_s * valve_part(middle) + leak_g_s
        surplus = throttle_flow(degrees, middle) + gas - pumped_flow(rad_s, middle)
        low, high = np.where(surplus > 0, middle, low), np.where(surplus > 0, high, middle)
    return (low + high) / 2


@dataclass(frozen=True, slots=True)
class Faults:
    """passage: share of the gas that gets through · leak_g_s: gas past the shut valve ·
    lift: share of the asked opening that the valve reaches · permitted: whether it is asked ·
    cold_open: asked open below 40 °C · neutral: park reported while driving · idle_sd_rpm."""

    passage: float = 1.0
    leak_g_s: float = 0.0
    lift: float = 1.0
    permitted: bool = True
    cold_open: bool = False
    neutral: bool = False
    idle_sd_rpm: float = 9.0
    hot_only_above_c: float | None = None
    most_g_s: float = np.inf  # what a choked place in series lets through


GAIN_G_S = 5.0  # of the fully open valve when choked
TRUTH = "gas through the valve"  # in g/s; no car tells it
STEP_S = 0.2
# (seconds, throttle degrees, rpm, km/h): idle, town, cruise, hill, coast, wide open, idle
LAP = (
    (25, 4.5, 720, 0), (20, 10, 1700, 32), (15, 4.2, 1400, 35), (40, 12, 2100, 62),
    (30, 15, 2400, 75), (12, 4.2, 1900, 60), (35, 13, 2200, 70), (8, 75, 3000, 85),
    (35, 16, 2600, 88), (15, 4.2, 2000, 70), (25, 4.5, 720, 0),
)  # fmt: skip


def drive(
    faults: Faults, trips: int = 2, laps: int = 5, seed: int = 1, start_ms: int = 1_760_000_000_000
) -> list[tuple[str, FloatArray, FloatArray]]:
    """Channels of several trips as (name, t_ms, value)."""
    columns = _trips(faults, trips, laps, seed, start_ms)
    t_ms = columns.pop("t_ms")
    return [(name, t_ms, values) for name, values in columns.items() if name != TRUTH]


def gas_truth(
    faults: Faults, trips: int = 2, laps: int = 5, seed: int = 1, start_ms: int = 1_760_000_000_000
) -> tuple[FloatArray, FloatArray]:
    """Times of the same drive and the gas that its open valve passes then, in g/s."""
    columns = _trips(faults, trips, laps, seed, start_ms)
    return columns["t_ms"], columns[TRUTH]


def _trips(
    faults: Faults, trips: int, laps: int, seed: int, start_ms: int
) -> dict[str, FloatArray]:
    generator = np.random.default_rng(seed)
    columns: dict[str, list[FloatArray]] = {}
    for trip in range(trips):
        t0 = start_ms + trip * 6 * 3_600_000
        for name, values in _trip(faults, laps, t0, generator).items():
            columns.setdefault(name, []).append(values)
    return {name: np.concatenate(parts) for name, parts in columns.items()}


def _trip(
    faults: Faults, laps: int, t0: int, generator: np.random.Generator
) -> dict[str, FloatArray]:
    part = np.repeat(np.arange(len(LAP)), [int(s[0] / STEP_S) for s in LAP])
    index = np.tile(part, laps)
    n = len(index)
    seconds = np.arange(n) * STEP_S
    lap = np.array(LAP, dtype=float)[index]
    jitter = generator.normal(0, 1, (4, n))
    wander = np.repeat(generator.normal(0, 1, (2, n // 100 + 1)), 100, axis=1)[:, :n]
    throttle = np.maximum(3.5, lap[:, 1] * (1 + 0.04 * wander[0]))
    rpm = lap[:, 2] * (1 + 0.03 * wander[1]) + jitter[0] * 4
    idle = lap[:, 3] == 0
    rpm = np.where(idle, 720 + generator.normal(0, faults.idle_sd_rpm, n), rpm)
    ect = np.minimum(90.0, 15 + seconds * 0.22)
    allowed = (ect > 65) & (lap[:, 3] > 30) & (lap[:, 1] > 8) & (lap[:, 1] < 40)
    if faults.cold_open:
        allowed |= (ect < 40) & (lap[:, 3] > 30)
    command = np.where(allowed & faults.permitted, np.clip(10 + lap[:, 1], 0, 35), 0.0)
    moved = _lagged(command * faults.lift, 0.5)
    passage = np.full(n, faults.passage)
    if faults.hot_only_above_c is not None:
        passage = np.where(ect > faults.hot_only_above_c, faults.passage, 1.0)
    open_g_s = np.minimum(GAIN_G_S * moved / 100 * passage, faults.most_g_s)
    bar = manifold_bar(throttle, rpm * RAD_S_PER_RPM, open_g_s, faults.leak_g_s)
    maf = throttle_flow(throttle, bar)
    error = np.where(command > 0.5, (moved - command) / np.maximum(command, 0.5) * 100, 0.0)
    error = np.where((command <= 0.5) & (moved > 0.5), 99.3, error)
    return {
        "t_ms": t0 + np.round(seconds * 1000), "rpm": rpm, "vss": lap[:, 3],
        "map": bar * 100 + jitter[1] * 0.2, "maf": maf * (1 + 0.01 * jitter[2]),
        "tp": throttle / 90 * 100, "ect": ect, "iat": np.where(idle, 26.0, 25.0),
        "baro": 0 * ect + 100, "egr_pct": command, "egr_err": np.clip(error, -100, 99.3),
        "n_d_stat": np.where(faults.neutral, 0.0, np.where(idle, 0.0, 1.0)),
        TRUTH: open_g_s * valve_part(bar),
    }  # fmt: skip


def _lagged(target: FloatArray, tau_s: float) -> FloatArray:
    share = 1 - np.exp(-STEP_S / tau_s)
    moved = np.empty_like(target)
    value = 0.0
    for i, goal in enumerate(target.tolist()):
        value += share * (goal - value)
        moved[i] = value
    return moved


def as_series(name: str, t_ms: FloatArray, values: FloatArray) -> Series:
    scaling: Scaling = scaling_of(name)
    raw = np.rint((values - scaling.offset) / scaling.scale).astype(np.int64)
    return Series(name, scaling, t_ms.astype(np.int64), raw)


def recording(faults: Faults, without: tuple[str, ...] = (), **kwargs: int) -> list[Series]:
    """A drive as the car would tell it, in the standard's raw integers."""
    return [as_series(*column) for column in drive(faults, **kwargs) if column[0] not in without]


def batches(series: list[Series], cuts_ms: list[int]) -> list[Batch]:
    """The recording cut at the given times, with everything delivered by the last batch."""
    end_ms = max(int(s.t_ms[-1]) for s in series) + 600_000
    result, start_ms = [], -(1 << 60)
    for cut_ms in [*sorted(cuts_ms), end_ms]:
        parts = []
        for s in series:
            a, b = np.searchsorted(s.t_ms, [start_ms, cut_ms], "right")
            if b > a:
                parts.append(Series(s.channel, s.scaling, s.t_ms[a:b], s.raw[a:b]))
        result.append(Batch(cut_ms, tuple(parts)))
        start_ms = cut_ms
    return result
