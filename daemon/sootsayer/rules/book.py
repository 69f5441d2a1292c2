"""The rule book: shipped limits, replaced where a vehicle file says so."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from sootsayer.model import Gas, Link, SootsayerError
from sootsayer.rules.own import WORDS, is_own, measure_limits, own_rule


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule. ``limits`` holds its numbers by name, ``reason`` says why they are so.

    ``needs``: channels without which it stays silent; "a|b" is met by either of them. ``gas``:
    what it says of gas once it trips. ``noun``: what its chances are called, "" where no rate of
    them is told.
    """

    name: str
    title: str
    link: Link | None
    kind: str
    gas: frozenset[Gas]
    counts: str
    noun: str
    gate: str
    quantity: str
    measure: str
    supports: tuple[Link, ...]
    channels: tuple[str, ...]
    text: str
    reason: str
    unit: str
    needs: tuple[str, ...]
    limits: Mapping[str, float]

    def limit(self, name: str) -> float:
        return self.limits[name]

    @property
    def say_chances(self) -> str:
        """What its chances are called in any case."""
        return self.noun or "chances"


def load_rules(overrides: Mapping[str, Mapping[str, Any]] | None = None) -> dict[str, Rule]:
    """The shipped rules with a vehicle's own limits, and its owner's own rules.

    Raises SootsayerError on unknown names and on rules that are not whole.
    """
    text = files("sootsayer_config").joinpath("rules.toml").read_text(encoding="utf-8")
    entries: dict[str, dict[str, Any]] = tomllib.loads(text)["rules"]
    shipped = dict(entries)
    for name, changes in (overrides or {}).items():
        where = f"vehicle file: rules.{name}"
        if is_own(name):
            entries[name] = own_rule(changes, where)
            measure_limits(name, changes, shipped)
        elif name not in entries:
            raise SootsayerError(
                f"vehicle file: no rule {name!r}; rules are {', '.join(sorted(entries))}, "
                "and your own may be called U1, U2 and so on"
            )
        else:
            _override(entries[name], changes, where)
    return {name: _rule(name, entry) for name, entry in entries.items()}


def _override(entry: dict[str, Any], changes: Mapping[str, Any], where: str) -> None:
    numbers = [key for key in entry if key not in WORDS]
    for key, value in changes.items():
        if key == "tests":
            continue
        if key not in numbers:
            near = difflib.get_close_matches(key, numbers, 1)
            hint = f"did you mean {near[0]!r}?" if near else f"limits: {', '.join(numbers)}"
            raise SootsayerError(f"{where}: unknown limit {key!r}; {hint}")
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise SootsayerError(f"{where}: {key} = {value!r}; give a number")
        entry[key] = value


def _rule(name: str, entry: Mapping[str, Any]) -> Rule:
    return Rule(
        name=name,
        title=entry["title"],
        link=Link(entry["link"]) if "link" in entry else None,
        kind=entry["kind"],
        gas=frozenset(Gas(what) for what in entry.get("gas", ())),
        counts=entry["counts"],
        noun=entry.get("noun", ""),
        gate=entry.get("gate", ""),
        quantity=entry.get("quantity", ""),
        measure=entry.get("measure", ""),
        supports=tuple(Link(link) for link in entry.get("supports", ())),
        channels=tuple(entry["channels"]),
        text=entry["text"],
        reason=entry["reason"],
        unit=entry.get("unit", "%"),
        needs=tuple(entry["needs"]),
        limits={k: float(v) for k, v in entry.items() if k not in WORDS},
    )
