"""How this car's recirculation is built, as far as its owner states it or its channels show it.

What cannot exist on a car explains nothing on it: an electric valve has no diaphragm to tear.
Where nothing is stated the kinds of valve stay a mixture, weighed by what the car shows.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import Any

from sootsayer.vehicle import Vehicle

# Sign of a kind of valve → channels that give it; position and fuel are told otherwise.
SIGNS: Mapping[str, tuple[str, ...]] = {
    "pressure_line": ("egr_pressure_v", "egr_dp"),
    "vacuum_line": ("egr_vacuum_kpa",),
    "contact": ("egr_contact",),
}


@dataclass(frozen=True, slots=True)
class Sight:
    """What of the valve is known. ``valves``: kind of valve → how likely, adding up to 1.
    ``position``: whether the car tells the valve's place, as measured and not merely repeated.
    ``channels``: everything it has given."""

    valves: Mapping[str, float]
    position: bool = True
    channels: frozenset[str] = field(default_factory=frozenset)

    def __hash__(self) -> int:
        return hash((*self.valves.items(), self.position, self.channels))

    @staticmethod
    def unknown() -> Sight:
        """A car of which nothing was stated or seen yet, but that a position may be."""
        return Sight(_normed({name: float(v["share"]) for name, v in valve_table().items()}))

    @property
    def valve(self) -> str:
        """The kind of valve if it is sure, else ""."""
        name = max(self.valves, key=lambda valve: self.valves[valve])
        return name if self.valves[name] > 0.999 else ""


@lru_cache(maxsize=1)
def valve_table() -> dict[str, dict[str, Any]]:
    """Kinds of valve as they stand in ``causes.toml``: share and chance of each sign."""
    text = files("sootsayer_config").joinpath("causes.toml").read_text(encoding="utf-8")
    valves: dict[str, dict[str, Any]] = tomllib.loads(text)["valves"]
    return valves


def sight_of(vehicle: Vehicle, channels: Collection[str], position: bool) -> Sight:
    """By the vehicle file where it states the valve, else by Bayes from what the car shows."""
    given = frozenset(channels)
    if vehicle.valve is not None:
        return Sight({vehicle.valve: 1.0}, position, given)
    weights = {}
    for name, entry in valve_table().items():
        weight = float(entry["share"])
        weight *= entry["position"] if position else 1 - entry["position"]
        for sign, witnesses in SIGNS.items():
            if not given.isdisjoint(witnesses) or vehicle.feedback == _STATED.get(sign, ""):
                weight *= entry[sign]
        weight *= entry["diesel"] if not vehicle.spark_ignition else 1 - entry["diesel"]
        weights[name] = weight
    return Sight(_normed(weights), position, given)


_STATED = {"pressure_line": "pressure", "contact": "contact"}  # what feedback = … says as well


def _normed(weights: Mapping[str, float]) -> dict[str, float]:
    whole = sum(weights.values())
    return {name: weight / whole for name, weight in weights.items()}
