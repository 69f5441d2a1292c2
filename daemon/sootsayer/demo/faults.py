"""What can be wrong with the invented car, how much, and when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from sootsayer.model import BoolArray, FloatArray, IntArray


class FaultKind(StrEnum):
    PASSAGE_CHOKED = "passage choked"  # 1: nothing passes, 0.9: a tenth of the clean area
    VALVE_STUCK_SHUT = "valve stuck shut"  # part of the asked travel that is missing
    VALVE_STUCK_OPEN = "valve stuck open"  # 1: never below a quarter open; it hardly runs
    VALVE_LEAKS = "valve leaks when shut"  # 1: a hole of 8 mm²; the position does not show it
    VALVE_LEAKS_SHOWN = "valve leaks when shut, position shows it"
    VALVE_SLOW = "valve slow"  # 1: eleven times its lag
    GEAR_INPUT = "gear input wrong"  # the control unit believes park or neutral
    AIR_LEAK = "air leak"  # 1: 20 mm² of unmetered air
    MAF_LOW = "air flow meter reads low"  # 1: by 30 %
    MAF_HIGH = "air flow meter reads high"
    POSITION_OFFSET = "position sensor offset"  # 1: reads 20 points too far open
    ASKED_WRONG = "asked at the wrong time"  # cold and wide open no longer forbid
    VALVE_STICTION = "valve sticks and jumps"  # 1: 20 points must be missing before it opens
    VALVE_RESTS_STUCK = "valve sticks after rest"  # 1: pushed for 20 s before it comes loose
    SHUT_CREEPS = "shut place creeps"  # 1: soft carbon holds it a tenth open and half fills the gap
    VACUUM_WEAK = "vacuum weak"  # 1: three tenths of the travel, nine times its lag
    PASSAGE_SENSOR_COKED = "passage temperature sensor coked"  # 1: hardly feels the gas
    PRESSURE_FEEDBACK_DEAD = "pressure feedback dead"  # part of the reading that is missing
    WEAK_IGNITION = "weak ignition"  # 1: one cycle in eight hardly burns, at idle one in five
    THERMOSTAT_OPEN = "thermostat stays open"  # 1: never above 68 °C
    ECT_COLD = "coolant sensor reads cold"  # 1: by 30 K
    IAT_FROZEN = "intake air sensor frozen"  # above 0.5: says what it said when it froze
    THROTTLE_OFFSET = "throttle sensor offset"  # 1: reads 8 points too far open
    BATTERY_LOW = "battery and alternator weak"  # 1: 1.9 V less, starter a sixth weaker
    STALLS_AT_STOP = "stalls when stopping"  # 1: too little idle air just before standing
    HOT_START_HARD = "hard hot start"  # 1: four seconds more of cranking above 75 °C
    KNOCK_HEARD = "knock sensor hears too much"  # 1: takes back as if 7 degrees nearer to knock


KINDS = tuple(FaultKind)
INDEX = {kind: row for row, kind in enumerate(KINDS)}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault and its schedule; all conditions given must hold together.

    ``start_ms``/``full_ms``: log times between which it grows from nothing (None: always full).
    ``hot_above_c``: acts only with the engine bay warmer than this; ``coolant_above_c`` likewise.
    ``chance``: probability, drawn anew at every opening of the valve, that it acts in that one.
    ``bursts_s``: mean seconds that it acts at a stretch, and mean seconds of peace between.
    """

    kind: FaultKind
    severity: float = 1.0
    start_ms: int | None = None
    full_ms: int | None = None
    hot_above_c: float | None = None
    coolant_above_c: float | None = None
    chance: float = 1.0
    bursts_s: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if not 0.0 <= self.severity <= 1.0:
            raise ValueError(f"severity {self.severity} of {self.kind!s} is not within 0 and 1")
        if not 0.0 <= self.chance <= 1.0:
            raise ValueError(f"chance {self.chance} of {self.kind!s} is not within 0 and 1")
        if self.bursts_s is not None and min(self.bursts_s) <= 0.0:
            raise ValueError(f"bursts {self.bursts_s} s of {self.kind!s} are not above 0")


class FaultTable:
    """The faults of n cars as arrays: how strongly each kind acts at this moment."""

    def __init__(self, faults: Sequence[Sequence[Fault]], seeds: Sequence[int]) -> None:
        rows = [(car, fault) for car, own in enumerate(faults) for fault in own]
        self._car: IntArray = np.array([car for car, _ in rows], dtype=np.int64)
        self._kind: IntArray = np.array([INDEX[f.kind] for _, f in rows], dtype=np.int64)
        self._severity = np.array([f.severity for _, f in rows])
        self._start = np.array([-np.inf if f.start_ms is None else f.start_ms for _, f in rows])
        self._grow_ms = np.array([_growth_ms(f) for _, f in rows])
        self._bay_c = np.array([_or_never_cold(f.hot_above_c) for _, f in rows])
        self._coolant_c = np.array([_or_never_cold(f.coolant_above_c) for _, f in rows])
        self._chance = np.array([f.chance for _, f in rows])
        self._draw = [np.random.default_rng([seed, 0xFA]) for seed in seeds]
        self._acts: BoolArray = self._chance >= 1.0
        self._bursts = Bursts(
            [
                (f, [seeds[car], place])
                for car, own in enumerate(faults)
                for place, f in enumerate(own)
            ]
        )
        self._present = frozenset(fault.kind for _, fault in rows)
        self._shape = (len(KINDS), len(faults))
        self.acting = np.zeros(self._shape)

    def draw_openings(self, opening: BoolArray) -> None:
        """Decide for each car that begins to open its valve whether chance faults act in it."""
        if not self._chance.size or not opening.any():
            return
        luck = np.array([self._draw[c].random() if opening[c] else 2.0 for c in self._car])
        self._acts = np.where(opening[self._car], luck < self._chance, self._acts)

    def update(self, t_ms: FloatArray, bay_c: FloatArray, coolant_c: FloatArray) -> None:
        """Set ``acting`` (kinds × cars, 0..1) from time and temperatures, all of shape (n,)."""
        if not self._chance.size:
            return
        grown = np.clip((t_ms[self._car] - self._start) / self._grow_ms, 0.0, 1.0)
        warm = (bay_c[self._car] > self._bay_c) & (coolant_c[self._car] > self._coolant_c)
        acts = self._acts & self._bursts.on(t_ms[self._car])
        acting = np.zeros(self._shape)
        np.maximum.at(acting, (self._kind, self._car), self._severity * grown * warm * acts)
        self.acting = acting

    def has(self, *kinds: FaultKind) -> bool:
        """Whether any car can ever have one of these; spares the others the arithmetic."""
        return not self._present.isdisjoint(kinds)

    def of(self, kind: FaultKind) -> FloatArray:
        """How strongly one kind acts now, shape (n,)."""
        strength: FloatArray = self.acting[INDEX[kind]]
        return strength


class Bursts:
    """Stretches in which faults act and stretches of peace, of exponential length."""

    def __init__(self, faults: Sequence[tuple[Fault, Sequence[int]]]) -> None:
        self._mean_s = [fault.bursts_s for fault, _ in faults]
        self._draw = [np.random.default_rng([*seed, 0xB0]) for _, seed in faults]
        self._on: BoolArray = np.ones(len(faults), dtype=np.bool_)
        self._until_ms = np.full(len(faults), np.inf)
        self._begun = False

    def on(self, t_ms: FloatArray) -> BoolArray:
        """Which faults are in a burst at their car's time; times must ascend."""
        if not self._begun:
            self._begin(t_ms)
        for row in np.flatnonzero(t_ms >= self._until_ms).tolist():
            while t_ms[row] >= self._until_ms[row]:
                self._on[row] = not self._on[row]
                self._until_ms[row] += self._length_ms(row)
        return self._on

    def _begin(self, t_ms: FloatArray) -> None:
        self._begun = True
        for row, mean_s in enumerate(self._mean_s):
            if mean_s is not None:
                self._on[row] = self._draw[row].random() < mean_s[0] / sum(mean_s)
                self._until_ms[row] = t_ms[row] + self._length_ms(row)

    def _length_ms(self, row: int) -> float:
        acting_s, calm_s = self._mean_s[row] or (np.inf, np.inf)
        return 1000.0 * float(self._draw[row].exponential(acting_s if self._on[row] else calm_s))


def _growth_ms(fault: Fault) -> float:
    if fault.start_ms is None or fault.full_ms is None:
        return 1.0
    return max(1.0, float(fault.full_ms - fault.start_ms))


def _or_never_cold(limit_c: float | None) -> float:
    return -np.inf if limit_c is None else limit_c
