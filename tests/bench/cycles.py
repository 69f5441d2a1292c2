"""UDDS, HWFET and US06 as roads: how well the invented driver follows them.

The speed traces are those of the registry package fastsim 2.1.5 (Apache-2.0), read where it is
installed. Only its tables are wanted, neither its code nor what that needs:
``pip install --no-deps fastsim==2.1.5``.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping
from importlib.metadata import PackageNotFoundError, distribution

import numpy as np

from sootsayer.demo.build import Make, individual
from sootsayer.demo.cars import STEP_S, Cars, CarSpec
from sootsayer.demo.drive import Drivers, Road
from sootsayer.model import FloatArray, SootsayerError

PACKAGE = "fastsim"
INSTALL = "pip install --no-deps fastsim==2.1.5"
CYCLES = ("udds", "hwfet", "us06")
# Length, distance and top speed, each from the Environmental Protection Agency's description of
# its dynamometer schedules (from memory): 1369 s 7.45 mi 56.7 mph; 765 s 10.26 mi 59.9 mph;
# 596 s 8.01 mi 80.3 mph.
KNOWN: Mapping[str, tuple[int, float, float]] = {
    "udds": (1369, 11.99, 91.2),
    "hwfet": (765, 16.51, 96.4),
    "us06": (596, 12.89, 129.2),
}
WITHIN_KM_H = 3.2  # 2 mph and one second either way, 40 CFR 1066.425 (from memory)
KEY_ON_S, PARKED_S, SELECTED_S, OFF_S = 3, 12, 3, 6
Key = tuple[float, float, float]  # ignition, run, engaged


def trace_km_h(cycle: str) -> FloatArray:
    """Speed once a second. Raises SootsayerError when the tables are not there."""
    try:
        path = distribution(PACKAGE).locate_file(f"fastsim/resources/cycles/{cycle}.csv")
        with open(str(path), encoding="ascii", newline="") as table:
            rows = list(csv.DictReader(table))
    except (PackageNotFoundError, FileNotFoundError):
        raise SootsayerError(f"no table of {cycle} is installed; {INSTALL}") from None
    return 3.6 * np.array([float(row["cycMps"]) for row in rows])


def road(*cycles: str) -> Road:
    """Key on, start, the cycles one after another, key off. Level, selector in drive."""
    speed: list[float] = []
    key: list[Key] = []

    def lay(km_h: FloatArray, now: Key) -> None:
        speed.extend(km_h.tolist())
        key.extend([now] * len(km_h))

    lay(np.zeros(KEY_ON_S), (1.0, 0.0, 0.0))
    lay(np.zeros(PARKED_S), (1.0, 1.0, 0.0))
    lay(np.zeros(SELECTED_S), (1.0, 1.0, 1.0))
    for cycle in cycles:
        lay(trace_km_h(cycle), (1.0, 1.0, 1.0))
    lay(np.zeros(SELECTED_S), (1.0, 1.0, 1.0))
    lay(np.zeros(PARKED_S), (1.0, 1.0, 0.0))
    lay(np.zeros(OFF_S), (0.0, 0.0, 0.0))
    turned = np.array(key)
    km_h = np.array(speed)
    return Road(km_h, np.zeros_like(km_h), turned[:, 0], turned[:, 1], turned[:, 2])


def followed(cycle: str, cars: int = 8) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Wanted speed (s,), driven speed (s, cars) and stalls (cars,)."""
    whole = road(cycle)
    fleet = Cars([CarSpec(individual(Make(), n), n, coolant_c=60.0) for n in range(cars)])
    drivers = Drivers(fleet, [whole] * cars)
    each = round(1 / STEP_S)
    driven = np.zeros((whole.seconds, cars))
    for step in range(whole.seconds * each):
        if step % each == 0:
            driven[step // each] = fleet.driveline.speed_km_h
        fleet.step(drivers.controls(step))
    return whole.speed_km_h, driven, fleet.stalls


def outside_part(wanted: FloatArray, driven: FloatArray) -> float:
    """Part of all seconds outside the band of ``WITHIN_KM_H`` and one second either way."""
    near = np.stack([np.roll(wanted, shift) for shift in (-1, 0, 1)])
    low, high = near.min(axis=0) - WITHIN_KM_H, near.max(axis=0) + WITHIN_KM_H
    outside = (driven < low[:, None]) | (driven > high[:, None])
    return float(outside.mean())


def run() -> list[str]:
    try:
        return [report(cycle) for cycle in CYCLES]
    except SootsayerError as trouble:
        return [f"not driven: {trouble}"]


def report(cycle: str) -> str:
    trace = trace_km_h(cycle)
    km = trace.sum() / 3600.0
    seconds, known_km, known_top = KNOWN[cycle]
    same = (
        abs(len(trace) - 1 - seconds) <= 5
        and abs(km - known_km) < 0.01 * known_km
        and abs(trace.max() - known_top) < 1.0
    )
    wanted, driven, stalls = followed(cycle)
    off = driven - wanted[:, None]
    return (
        f"{cycle.upper():6} {len(trace) - 1} s, {km:.2f} km, top {trace.max():.1f} km/h "
        f"({'as published' if same else 'NOT as published'}); eight cars: "
        f"{100 * outside_part(wanted, driven):.1f} % of seconds outside ±{WITHIN_KM_H} km/h "
        f"and 1 s, mean {abs(off).mean():.2f} km/h off, {int(stalls.sum())} stalls"
    )
