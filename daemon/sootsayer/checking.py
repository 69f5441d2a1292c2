"""Checks a configuration file and runs the pictures of its rules, without any car.

The file may be a vehicle file, settings, or pictures of rules (a table ``[tests.RULE]``).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from sootsayer.model import SootsayerError
from sootsayer.rules.book import load_rules
from sootsayer.rules.engine import Rules
from sootsayer.rules.pictures import Outcome, Picture, pictures_of, run_picture
from sootsayer.settings import load_settings
from sootsayer.vehicle import REQUIRED, load_vehicle


@dataclass(frozen=True, slots=True)
class Checked:
    """``what``: what the file was taken for; ``outcomes``: its pictures as they came out."""

    what: str
    outcomes: tuple[Outcome, ...]

    @property
    def failed(self) -> int:
        return sum(not outcome.agrees for outcome in self.outcomes)


def check_config(path: Path | None) -> Checked:
    """Check a file, or the shipped rules where none is given. Raises SootsayerError naming
    what is wrong in one line."""
    if path is None:
        text = files("sootsayer_config").joinpath("rule_tests.toml").read_text(encoding="utf-8")
        return Checked("shipped rules", _run(tomllib.loads(text)["tests"], {}, "tests"))
    stated = _stated(path)
    if "tests" in stated:
        return Checked("pictures of rules", _run(stated["tests"], {}, f"{path}: tests"))
    if any(key in stated for key in (*REQUIRED, "rules")):
        vehicle = load_vehicle(path)
        Rules(load_rules(vehicle.rules))  # names of gates, quantities and measures
        tests = {name: rule["tests"] for name, rule in vehicle.rules.items() if "tests" in rule}
        return Checked("vehicle file", _run(tests, vehicle.rules, f"{path}: rules"))
    load_settings(path)
    return Checked("settings", ())


def _stated(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as trouble:
        raise SootsayerError(f"{path}: cannot be read ({trouble.strerror})") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as trouble:
        raise SootsayerError(f"{path}: not valid TOML: {trouble}") from None


def _run(
    tests: Mapping[str, Any], own: Mapping[str, Mapping[str, Any]], where: str
) -> tuple[Outcome, ...]:
    rules = load_rules(own)
    outcomes: list[Outcome] = []
    for name, table in tests.items():
        if name not in rules:
            raise SootsayerError(f"{where}: no rule {name!r}; rules are {', '.join(rules)}")
        if not isinstance(table, dict):
            raise SootsayerError(f"{where}.{name}: tests must be a table")
        pictures: Iterator[Picture] = pictures_of(table, name, f"{where}.{name}")
        outcomes += [run_picture(rules[name], picture) for picture in pictures]
    return tuple(outcomes)


def outcome_lines(outcome: Outcome) -> Iterator[str]:
    """A picture and its states as text, the stated ones beside the true ones where they differ."""
    test = outcome.test
    yield f"{'ok  ' if outcome.agrees else 'FAIL'} {test.rule}: {test.name}"
    yield f"       picture  {test.picture}"
    yield f"       states   {outcome.found}"
    if not outcome.agrees:
        yield f"       stated   {test.states}"
