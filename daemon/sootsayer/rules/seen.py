"""What the rules are shown: one block's events, and the chances they make of them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from sootsayer.derive.answers import Answer
from sootsayer.derive.balance import FlowBalance
from sootsayer.derive.happened import Happened
from sootsayer.derive.keep import Kept
from sootsayer.derive.motion import Motion
from sootsayer.derive.opened import Judged
from sootsayer.derive.quantities import Quantities
from sootsayer.derive.stop_gas import StopGas
from sootsayer.derive.stops import Rest, Stop

if TYPE_CHECKING:
    from sootsayer.rules.by_monitor import MonitorWatch

BASELINE_VALUES = 40  # first sound values that make a baseline
BASELINE_LEAST = 8  # sound values before a baseline counts as known


@dataclass(frozen=True, slots=True)
class Chance:
    """One opportunity as a rule sees it."""

    start_ms: int
    end_ms: int
    failed: bool
    measure: float
    fact: str
    circumstances: dict[str, float]


class Baselines(Kept):
    """What this car has shown when sound, by name.

    Rules teach it nothing while they accuse, else it would learn the fault; and once it is
    known it stands, else it would follow a fault that grows slowly. Only a recorded repair
    makes the car another one: ``forget``.
    """

    kept = ("values",)

    def __init__(self) -> None:
        self.values: dict[str, list[float]] = {}

    def usual(self, name: str) -> float | None:
        """The middle of the first sound values, None before enough were seen."""
        values = self.values.get(name, [])
        return sorted(values)[len(values) // 2] if len(values) >= BASELINE_LEAST else None

    def spread(self, name: str) -> float | None:
        """Their standard deviation from the median deviation, which outliers leave alone."""
        usual = self.usual(name)
        if usual is None:
            return None
        off = sorted(abs(value - usual) for value in self.values[name])
        return 1.4826 * off[len(off) // 2]

    def forget(self) -> None:
        """Begin anew, after a repair."""
        self.values.clear()

    def learn(self, name: str, value: float) -> None:
        values = self.values.setdefault(name, [])
        if len(values) < BASELINE_VALUES:
            values.append(value)


@dataclass(frozen=True, slots=True)
class Seen:
    """Everything one block brought, for the rules. ``accused``: rules whose alert is open."""

    q: Quantities
    openings: list[Judged]
    stops: list[Stop]
    rests: list[Rest]
    balance: FlowBalance
    trip: int
    engine_s: float
    gaps: list[tuple[int, int]]
    context: dict[str, float]
    spark_ignition: bool
    baselines: Baselines
    accused: frozenset[str]
    happened: Happened = field(default_factory=Happened)
    motion: Motion = field(default_factory=Motion)
    monitor: MonitorWatch | None = None
    answers: list[Answer] = field(default_factory=list)
    stop_gases: list[StopGas] = field(default_factory=list)
