"""The vehicle file: what the owner states about a car, read from TOML at the edge.

Name, displacement, cylinders and fuel must be there: they stand in every car's papers, and no
car tells the two in the middle. Everything the car's own answers show is found out, and a stated
value that contradicts them is reported in the verdict.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sootsayer.model import SootsayerError

CHOICES: dict[str, tuple[str, ...]] = {
    "fuel": ("petrol", "diesel", "lpg", "cng", "ethanol"),
    "metering": ("maf", "map", "both"),
    "valve": ("vacuum", "lift", "pressure", "electric", "loop"),
    "feedback": ("none", "contact", "thermistor", "position", "pressure"),
}
REQUIRED = ("name", "displacement_l", "cylinders", "fuel")
RULES_FILE = "rules_file"  # beside the vehicle file: rules and limits that several cars share
EXAMPLES = {"name": '"blue estate"', "displacement_l": "2.4", "cylinders": "4", "fuel": '"petrol"'}
# (least, greatest) that an engine in a road or farm vehicle can have
NUMBERS: dict[str, tuple[float, float]] = {
    "displacement_l": (0.1, 30.0),
    "cylinders": (1, 16),
    "warm_c": (40.0, 100.0),
    "shut_pct": (0.0, 20.0),
    "valve_area_mm2": (1.0, 1000.0),
}


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A car as its owner states it. None: not stated, to be found out.

    Displacement and cylinders are None only in `unknown`, where there is no file at all.
    ``warm_c``: coolant temperature from which the engine counts as warm.
    ``shut_pct``: what the command reads when the valve is to be shut.
    ``valve_area_mm2``: effective area of the sound valve, fully open, as its maker states it.
    ``rules``: per rule, limits that replace the shipped ones.
    """

    name: str
    displacement_l: float | None
    cylinders: int | None
    fuel: str
    metering: str | None = None
    valve: str | None = None
    feedback: str | None = None
    warm_c: float = 75.0
    shut_pct: float | None = None
    valve_area_mm2: float | None = None
    rules: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    @staticmethod
    def unknown() -> Vehicle:
        """A car of which nothing was stated."""
        return Vehicle(name="a car without a vehicle file", displacement_l=None, cylinders=None,
                       fuel="petrol")  # fmt: skip

    @property
    def spark_ignition(self) -> bool:
        return self.fuel != "diesel"


def load_vehicle(path: Path) -> Vehicle:
    """Read a vehicle file. Raises SootsayerError naming file, key, value and remedy."""
    try:
        stated = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as trouble:
        raise SootsayerError(f"vehicle file {path}: cannot be read ({trouble.strerror})") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as trouble:
        raise SootsayerError(f"vehicle file {path}: not valid TOML: {trouble}") from None
    if RULES_FILE in stated:
        _add_rules(stated, path)
    return vehicle_from(stated, f"vehicle file {path}")


def _add_rules(stated: dict[str, Any], path: Path) -> None:
    """Take in the rules of the file that the vehicle file names, so that several cars may share
    them. What the vehicle file itself states of a rule stands."""
    name = stated.pop(RULES_FILE)
    where = f"vehicle file {path}: {RULES_FILE} = {name!r}"
    if not isinstance(name, str):
        raise SootsayerError(f"{where}; give a file name in quotes")
    try:
        shared = tomllib.loads((path.parent / name).read_text(encoding="utf-8"))
    except OSError as trouble:
        raise SootsayerError(f"{where}: cannot be read ({trouble.strerror})") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as trouble:
        raise SootsayerError(f"{where}: not valid TOML: {trouble}") from None
    if set(shared) != {"rules"} or not isinstance(shared["rules"], dict):
        raise SootsayerError(f"{where}: must hold tables such as [rules.U1] and nothing else")
    own = stated.get("rules", {})
    if isinstance(own, dict):
        stated["rules"] = {**shared["rules"], **own}


def vehicle_from(stated: Mapping[str, Any], where: str) -> Vehicle:
    """Check stated keys and values. Raises SootsayerError that begins with ``where``."""
    known = tuple(dict.fromkeys((*REQUIRED, *NUMBERS, *CHOICES, "rules")))
    for key in stated:
        if key not in known:
            near = difflib.get_close_matches(key, known, 1)
            hint = f"did you mean {near[0]!r}?" if near else f"known keys: {', '.join(known)}"
            raise SootsayerError(f"{where}: unknown key {key!r}; {hint}")
    if missing := [key for key in REQUIRED if key not in stated]:
        raise SootsayerError(_missing(missing, where))
    if not isinstance(stated["name"], str) or not stated["name"].strip():
        raise SootsayerError(f"{where}: name = {stated['name']!r}; give a name in quotes")
    for key, allowed in CHOICES.items():
        if key in stated and stated[key] not in allowed:
            raise SootsayerError(
                f"{where}: {key} = {stated[key]!r}; choose one of {', '.join(allowed)}"
            )
    for key, (least, greatest) in NUMBERS.items():
        if key in stated:
            _check_number(stated[key], least, greatest, f"{where}: {key}")
    if not isinstance(stated["cylinders"], int):
        raise SootsayerError(f"{where}: cylinders = {stated['cylinders']!r}; give a whole number")
    rules = stated.get("rules", {})
    if not isinstance(rules, dict) or not all(isinstance(r, dict) for r in rules.values()):
        raise SootsayerError(f"{where}: rules must be tables such as [rules.F1]")
    return Vehicle(**{**stated, "displacement_l": float(stated["displacement_l"])})


def _missing(keys: list[str], where: str) -> str:
    """One line for all that is missing, so that nobody has to try four times."""
    names = ", ".join(map(repr, keys))
    verb, lines = ("is", "a line") if len(keys) == 1 else ("are", "lines")
    wanted = " and ".join(f"{key} = {EXAMPLES[key]}" for key in keys)
    return f"{where}: {names} {verb} missing; add {lines} such as {wanted}"


def _check_number(value: object, least: float, greatest: float, where: str) -> None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise SootsayerError(f"{where} = {value!r}; give a number")
    if not least <= value <= greatest:
        raise SootsayerError(f"{where} = {value!r}; must lie between {least:g} and {greatest:g}")
