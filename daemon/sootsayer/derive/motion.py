"""What one block brought on how the valve moves and what changes slowly, for the rules."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from sootsayer.derive.drift import Drift
from sootsayer.derive.keep import Kept
from sootsayer.derive.knock import KnockContrast
from sootsayer.derive.opened import Judged
from sootsayer.derive.passage import Passage, Stretch
from sootsayer.derive.play import Play
from sootsayer.derive.quantities import Quantities
from sootsayer.derive.spark import SparkOpening
from sootsayer.derive.stops import Rest

SURE = 0.05  # chance without a trend below which one is believed
LEAST_OPENINGS = 30
LEAST_TRIPS = 5

Level = tuple[float, float, float]  # value, its standard deviation, how many it rests on


@dataclass(frozen=True, slots=True)
class Motion:
    """``play``, ``creep`` in points, ``fade`` in per cent, ``drift`` in summed deviations: None
    where nothing new was learned of it in this block."""

    stretches: list[Stretch] = field(default_factory=list)
    play: Level | None = None
    creep: Level | None = None
    fade: Level | None = None
    drift: Level | None = None
    knock: Level | None = None
    by_vacuum: bool = False


class Motions(Kept):
    """Valve, added sensors and slow changes through the drives."""

    kept = ("valve_play", "passage", "slow", "knock")

    def __init__(self, by_vacuum: bool) -> None:
        self._by_vacuum = by_vacuum
        self.valve_play = Play()
        self.passage = Passage()
        self.slow = Drift()
        self.knock = KnockContrast()

    def forget(self) -> None:
        """A repair makes another car of it."""
        self.valve_play = Play()
        self.slow.forget()
        self.knock = KnockContrast()

    def step(
        self, q: Quantities, openings: Sequence[Judged], rests: Iterable[Rest], trip: int,
        position_counts: bool, sparks: Iterable[SparkOpening] = (),
    ) -> Motion:  # fmt: skip
        play = self.valve_play.step(q, position_counts) and self.valve_play.found
        completed = [self.slow.add_opening(judged) for judged in openings]
        crept = [self.slow.add_rest(trip, rest) for rest in rests]
        return Motion(
            stretches=self.passage.step(q),
            play=(play[0], play[1], play[2]) if play else None,
            creep=self._creep() if any(crept) else None,
            fade=self._fade() if any(completed) else None,
            drift=self._drift() if any(completed) else None,
            knock=self.knock.step(sparks, openings),
            by_vacuum=self._by_vacuum,
        )

    def _creep(self) -> Level:
        _, change, sd, chance = self.slow.shut.trend()
        return (change if chance < SURE else 0.0, sd, float(len(self.slow.shut.trips)))

    def _fade(self) -> Level | None:
        trips = len(self.slow.flow.trips)
        if self.slow.values < LEAST_OPENINGS or trips < LEAST_TRIPS:
            return None
        lost, chance = self.slow.fade()
        return (100 * lost if chance < SURE else 0.0), 0.0, float(trips)

    def _drift(self) -> Level:
        return self.slow.sums.sums.down, 0.0, float(len(self.slow.flow.trips))
