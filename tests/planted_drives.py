"""Drives of the plain engine with one thing or several made wrong, as raw readings.

Each story is a list of series as a car and its added sensors would give them; nothing in them is
taken from the part of the program that judges.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from plain_engine import Faults, as_series, drive
from sootsayer.model import FloatArray, Scaling, Series
from sootsayer.protocol.monitor_tests import kind_scaling

START_MS = 1_760_000_000_000
TRIP_MS = 6 * 3_600_000
STEP_S = 0.2
Columns = dict[str, FloatArray]
Change = Callable[[Columns, FloatArray], FloatArray]


def trips(faults: Sequence[Faults], laps: int = 4, every_ms: int = TRIP_MS) -> Columns:
    """One trip for each of the faults; ``trip`` numbers them, ``t_ms`` are log times."""
    parts: dict[str, list[FloatArray]] = {}
    for number, fault in enumerate(faults):
        told = drive(fault, trips=1, laps=laps, seed=number, start_ms=START_MS + number * every_ms)
        for name, _, values in told:
            parts.setdefault(name, []).append(values)
        parts.setdefault("t_ms", []).append(told[0][1])
        parts.setdefault("trip", []).append(np.full(len(told[0][1]), float(number)))
    columns = {name: np.concatenate(values) for name, values in parts.items()}
    flat = np.zeros(len(columns["t_ms"]))
    columns |= {"shrtft1": flat, "longft1": flat + 2.0, "vpwr": flat + 14.0, "fuelsys1": flat + 2}
    columns["sparkadv"] = 35 - 0.2 * columns["map"] + columns["rpm"] / 400
    return columns


def changed(columns: Columns, changes: Mapping[str, Change]) -> Columns:
    """The columns with some replaced by what a change makes of them and of the trip's number."""
    return columns | {name: change(columns, columns["trip"]) for name, change in changes.items()}


def told(columns: Columns, without: Sequence[str] = ()) -> list[Series]:
    """As the car would tell it, in the standard's raw integers."""
    left_out = {"t_ms", "trip", *without}
    return [
        as_series(name, columns["t_ms"], values)
        for name, values in columns.items()
        if name not in left_out
    ]


def sensor(name: str, columns: Columns, values: FloatArray, unit: str) -> Series:
    """An added sensor, in thousandths of its unit."""
    raw = np.rint(values * 1000).astype(np.int64)
    scaling = Scaling(f"{name} milli", 0.001, 0.0, unit)
    return Series(name, scaling, columns["t_ms"].astype(np.int64), raw)


def lagged(target: FloatArray, tau_s: float, step_s: float = STEP_S) -> FloatArray:
    out, value = np.empty_like(target), float(target[0])
    share = 1 - np.exp(-step_s / tau_s)
    for place, goal in enumerate(target.tolist()):
        value += share * (goal - value)
        out[place] = value
    return out


def with_play(command: FloatArray, points: float) -> FloatArray:
    """A valve that stops short of its command on both ways."""
    out, value = np.empty_like(command), 0.0
    for place, goal in enumerate(command.tolist()):
        value = min(max(value, goal - points / 2), goal + points / 2)
        out[place] = value
    return np.maximum(out, 0.0)


def error_of(position: FloatArray, command: FloatArray) -> FloatArray:
    """EGR error as SAE J1979 defines it, full scale where the valve is open unasked."""
    error = 100 * (position - command) / np.maximum(command, 0.5)
    unasked = np.where(position > 1.0, 99.3, 0.0)
    return np.clip(np.where(command > 0.5, error, unasked), -100, 99.3)


def before_starts(
    columns: Columns, seconds: float, values: Mapping[str, float], turning_s: float = 0.0
) -> Columns:
    """Key on with the engine standing before every trip; it turns at 200 rpm in the end."""
    made: dict[str, list[FloatArray]] = {name: [] for name in columns}
    steps = round(seconds / STEP_S)
    for number in np.unique(columns["trip"]):
        own = {name: column[columns["trip"] == number] for name, column in columns.items()}
        early = {name: np.full(steps, column[0]) for name, column in own.items()}
        early["t_ms"] = own["t_ms"][0] - 1000 * STEP_S * np.arange(steps, 0, -1)
        early |= {"rpm": np.zeros(steps), "vss": np.zeros(steps), "egr_pct": np.zeros(steps),
                  "egr_err": np.zeros(steps), "maf": np.zeros(steps)}  # fmt: skip
        early |= {name: np.full(steps, value) for name, value in values.items()}
        if turning_s:
            early["rpm"][-round(turning_s / STEP_S) :] = 200.0
        for name, column in own.items():
            made[name].append(np.concatenate([early[name], column]))
    return {name: np.concatenate(parts) for name, parts in made.items()}


def seldom(channel: str, raws: Sequence[int], scaling: Scaling | None = None) -> Series:
    """Said once in each trip, at its end."""
    at = START_MS + np.arange(len(raws)) * TRIP_MS + 1_100_000.0
    plain = scaling or as_series(channel, at, np.zeros(len(raws))).scaling
    return Series(channel, plain, at.astype(np.int64), np.array(raws, dtype=np.int64))


def results(values: Sequence[int], greatest: int) -> list[Series]:
    """Service 06: a result of the recirculation monitor in each trip, hundredths of a per cent
    (SAE J1979 appendix E, unit 2F)."""
    kind = kind_scaling(0x2F)
    return [
        seldom("mid31_tid80", values, kind),
        seldom("mid31_tid80_min", [0] * len(values), kind),
        seldom("mid31_tid80_max", [greatest] * len(values), kind),
    ]


def steady_cruise(
    minutes: float, asked_pct: float, gas_kpa: float, dip_pct: float = 0.0
) -> Columns:
    """Foot, speed and gear constant; the valve is opened for fifty seconds of every minute, which
    raises manifold pressure and, where it is felt, makes engine speed dip for two seconds."""
    t_s = np.arange(0, 60 * minutes, STEP_S)
    within = t_s % 60
    is_open = (t_s > 60) & (within > 10)
    command = np.where(is_open, asked_pct, 0.0)
    dips = is_open & (within < 12)
    flat = np.ones(len(t_s))
    return {
        "t_ms": START_MS + 1000 * t_s, "trip": 0 * flat, "rpm": 2000 * (1 - dip_pct / 100 * dips),
        "vss": 70 * flat, "tp": 20 * flat, "map": 40 + gas_kpa * lagged(command, 0.4) / asked_pct,
        "egr_pct": command, "ect": 90 * flat, "iat": 25 * flat, "baro": 100 * flat,
    }  # fmt: skip
