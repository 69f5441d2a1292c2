"""Cars of the demo driven for its tests: many side by side on the same road, and at idle."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from sootsayer.demo.build import Make, Metering, individual
from sootsayer.demo.cars import CHANNELS, ROW, STEP_S, Cars, CarSpec, Controls
from sootsayer.demo.drive import Drivers, commute
from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.model import BoolArray, FloatArray

HOT_BAY_C = 33.0
CASES: Mapping[str, CarSpec] = {
    "sound": CarSpec(seed=11),
    "other sound": CarSpec(make=individual(Make(), 3), seed=12),
    "by pressure": CarSpec(make=Make(metering=Metering.MAP), seed=11),
    "choked": CarSpec(seed=11, faults=(Fault(FaultKind.PASSAGE_CHOKED),)),
    "choked by pressure": CarSpec(
        make=Make(metering=Metering.MAP), seed=11, faults=(Fault(FaultKind.PASSAGE_CHOKED),)
    ),
    "choked hot": CarSpec(
        seed=11, faults=(Fault(FaultKind.PASSAGE_CHOKED, hot_above_c=HOT_BAY_C),)
    ),
    "stuck shut": CarSpec(seed=11, faults=(Fault(FaultKind.VALVE_STUCK_SHUT),)),
    "leaks": CarSpec(seed=11, faults=(Fault(FaultKind.VALVE_LEAKS, 3 / 8),)),
    "leaks shown": CarSpec(seed=11, faults=(Fault(FaultKind.VALVE_LEAKS_SHOWN, 3 / 8),)),
    "leaks by pressure": CarSpec(
        make=Make(metering=Metering.MAP), seed=11, faults=(Fault(FaultKind.VALVE_LEAKS, 3 / 8),)
    ),
    "gear input": CarSpec(seed=11, faults=(Fault(FaultKind.GEAR_INPUT),)),
    "air leak": CarSpec(seed=11, faults=(Fault(FaultKind.AIR_LEAK, 0.15),)),
    "maf low": CarSpec(seed=11, faults=(Fault(FaultKind.MAF_LOW, 0.4),)),
    "asked wrong": CarSpec(seed=11, faults=(Fault(FaultKind.ASKED_WRONG),)),
    "offset": CarSpec(seed=11, faults=(Fault(FaultKind.POSITION_OFFSET, 0.5),)),
    "one in three": CarSpec(seed=11, faults=(Fault(FaultKind.VALVE_STUCK_SHUT, chance=0.33),)),
}


@dataclass(frozen=True)
class Record:
    """What one car said five times a second, and what only the model knows."""

    said: FloatArray  # (m, channels)
    burnt_part: FloatArray
    valve_travel: FloatArray
    bay_c: FloatArray
    retard_deg: FloatArray
    stalls: float
    outcome: tuple[int, ...]

    def __getitem__(self, channel: str) -> FloatArray:
        column: FloatArray = self.said[:, ROW[channel]]
        return column

    @property
    def running(self) -> BoolArray:
        return self["rpm"] > 400.0

    @property
    def idle(self) -> BoolArray:
        """Warm, standing for at least five seconds already."""
        still = (self["vss"] < 0.5) & self.running & (self["ect"] > 75.0) & (self["tp_r"] < 4.0)
        settled: BoolArray = np.convolve(still, np.ones(25))[: len(still)] >= 25
        return settled & still

    @property
    def cruise(self) -> BoolArray:
        return (self["vss"] > 60.0) & (self["tp_r"] > 4.0) & (self["ect"] > 80.0)

    @property
    def openings(self) -> int:
        asked = self["egr_pct"] > 5.0
        return int(np.count_nonzero(asked[1:] & ~asked[:-1]))


def drive_all() -> Mapping[str, Record]:
    """Every case over the same commute of twenty minutes."""
    cars = Cars([replace(spec, bay_c=16.0) for spec in CASES.values()])
    drivers = Drivers(cars, [commute(7, 20.0)] * len(CASES))
    steps = round(drivers.seconds / STEP_S)
    said = np.zeros((steps // 2 + 1, len(CHANNELS), len(CASES)))
    inside = np.zeros((steps // 2 + 1, 4, len(CASES)))
    for step in range(steps):
        cars.step(drivers.controls(step))
        if step % 2 == 0:
            cars.readings(said[step // 2])
            inside[step // 2] = (
                cars.manifold.burnt_part,
                cars.valve.travel,
                cars.warmth.bay_k - 273.15,
                cars.spark.retard_deg,
            )
    return {
        name: Record(
            said[:, :, car],
            *(inside[:, row, car] for row in range(4)),
            stalls=float(cars.stalls[car]),
            outcome=tuple(cars.monitor.outcome[:, car].tolist()),
        )
        for car, name in enumerate(CASES)
    }


def still_controls(count: int, run: bool = True, engaged: bool = False) -> Controls:
    """Standing with the brake on, for each of ``count`` cars."""
    none = np.zeros(count)
    return Controls(none, none + 1.0, none < 1, (none + run) > 0, (none + engaged) > 0, none)


@dataclass(frozen=True)
class Idle:
    """Means of the last forty seconds of standing, each of shape (n,)."""

    rpm: FloatArray
    rpm_sd: FloatArray
    intake_kpa: FloatArray
    air_g_s: FloatArray
    burnt_part: FloatArray
    trim_pct: FloatArray
    stalls: FloatArray


def idle_of(specs: list[CarSpec], engaged: bool = False) -> Idle:
    """Start warm cars and let them idle for ninety seconds."""
    cars = Cars([replace(spec, coolant_c=88.0, bay_c=35.0) for spec in specs])
    controls = still_controls(len(specs), engaged=engaged)
    said = np.zeros((900, len(CHANNELS), len(specs)))
    burnt = np.zeros((900, len(specs)))
    for step in range(900):
        cars.step(controls)
        cars.readings(said[step])
        burnt[step] = cars.manifold.burnt_part
    late = said[500:]
    trim = late[:, ROW["shrtft1"]] + late[:, ROW["longft1"]]
    return Idle(
        late[:, ROW["rpm"]].mean(axis=0),
        late[:, ROW["rpm"]].std(axis=0),
        late[:, ROW["map"]].mean(axis=0),
        late[:, ROW["maf"]].mean(axis=0),
        burnt[500:].mean(axis=0),
        trim.mean(axis=0),
        cars.stalls,
    )
