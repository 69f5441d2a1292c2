"""Whose a channel is: the plain id belongs to the engine's control unit where it gives it.

The engine's unit is the one with the lowest address that gives engine speed. Another unit that
gives the same channel gets the suffix ``@`` and its address, so that two never become one.
"""

from __future__ import annotations

from collections import Counter

from sootsayer.model import Sample

MAX_CHANNELS = 4096  # a car has some hundreds; bounds memory against noise


def unit_order(unit: str) -> tuple[int, str]:
    """Sorts addresses of one link: the lower comes first."""
    return len(unit), unit


class Owners:
    """``usual_engines``: where engine control units answer, until engine speed has been seen."""

    def __init__(self, usual_engines: frozenset[str], counters: Counter[str]) -> None:
        self.engine: str | None = None  # the unit that gives engine speed
        self._usual_engines = usual_engines
        self._counters = counters
        self._owners: dict[str, str] = {}

    def adopt(self, scout: Owners) -> None:
        """Take over whose each channel is from one that looked ahead."""
        self._owners = dict(scout._owners)
        self.engine = scout.engine

    def named(self, unit: str, samples: tuple[Sample, ...]) -> tuple[Sample, ...]:
        """The samples of one unit under the ids that are theirs."""
        owners = self._owners
        if all(owners.get(sample.channel) == unit for sample in samples):
            return samples
        return tuple(self._name(unit, sample) for sample in samples)

    def claim(self, unit: str, channel: str) -> bool:
        """Whether the plain id is this unit's; an unclaimed one becomes its own."""
        if channel == "rpm":
            self._consider_engine(unit)
        owner = self._owners.get(channel)
        if owner is None:
            if len(self._owners) >= MAX_CHANNELS:
                self._counters["too many channels"] += 1
                return True
            owner = self._owners[channel] = unit
        if owner != unit and self._outranks(unit, owner):
            self._owners[channel] = unit
            self._counters["channel changed hands"] += 1
            owner = unit
        return owner == unit

    def _name(self, unit: str, sample: Sample) -> Sample:
        if self.claim(unit, sample.channel):
            return sample
        return Sample(f"{sample.channel}@{unit}", sample.raw, sample.scaling)

    def _consider_engine(self, unit: str) -> None:
        if self.engine is None or unit_order(unit) < unit_order(self.engine):
            self.engine = unit

    def _outranks(self, unit: str, owner: str) -> bool:
        if self.engine is not None:
            return unit == self.engine
        return unit in self._usual_engines and owner not in self._usual_engines
