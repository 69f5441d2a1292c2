"""What would explain the findings, and which hand check tells the explanations apart.

Bayes over the rules that had exposure: a rule that was watched and stayed quiet speaks too, one
that was never exposed says nothing.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from typing import Any

from sootsayer.model import Cause, Check

NONE_OF_THESE = "none_of_these"
LEAST_BITS = 0.001  # below this a check tells nothing at all
WORTH_SAYING = 1.5  # ratio of likelihoods from which evidence is named


@dataclass(frozen=True, slots=True)
class CauseEntry:
    title: str
    prior: float
    shows: Mapping[str, tuple[float, str]]  # rule → chance that it trips, why


@lru_cache(maxsize=1)
def cause_table() -> tuple[float, dict[str, CauseEntry]]:
    """Chance of a rule tripping by mistake, and every cause by name."""
    table = _toml("causes.toml")
    causes = {
        name: CauseEntry(
            entry["title"], float(entry["prior"]),
            {rule: (float(s["p"]), s["why"]) for rule, s in entry["shows"].items()},
        )
        for name, entry in table["causes"].items()
    }  # fmt: skip
    return float(table["by_mistake"]), causes


def weigh_causes(
    tripped: Mapping[str, str], exposed: set[str], found: Mapping[str, str] | None = None
) -> tuple[Cause, ...]:
    """Causes, heaviest first. ``tripped``: rule → title of its alert; ``exposed``: rules that
    had their least exposure; ``found``: hand check → its recorded outcome. Empty when nothing
    has tripped: there is nothing to explain."""
    if not tripped:
        return ()
    mistake, causes = cause_table()
    watched = sorted(exposed | set(tripped))
    logs = {
        name: math.log(entry.prior)
        + sum(_log(_chance(entry, rule, mistake), rule in tripped) for rule in watched)
        + sum(math.log(outcome_chance(c, o, name)) for c, o in (found or {}).items())
        for name, entry in causes.items()
    }
    most = max(logs.values())
    parts = {name: math.exp(value - most) for name, value in logs.items()}
    whole = sum(parts.values())
    weights = {name: part / whole for name, part in parts.items()}
    ordered = sorted(weights, key=lambda name: -weights[name])
    return tuple(
        _with_checks(
            _cause(name, causes[name], weights[name], tripped, watched, mistake), found or {}
        )
        for name in ordered
    )


def outcome_chance(check: str, outcome: str, cause: str) -> float:
    """Chance of a hand check's outcome if this is the cause."""
    outcomes = check_table()["checks"][check]["outcomes"]
    even = 1 / len(outcomes)
    chances = {name: float(o["likely"].get(cause, even)) for name, o in outcomes.items()}
    return chances[outcome] / sum(chances.values())


def _with_checks(cause: Cause, found: Mapping[str, str]) -> Cause:
    """The cause with what was found by hand among what speaks for and against it."""
    speaks_for, against = list(cause.speaks_for), list(cause.speaks_against)
    for check, outcome in found.items():
        entry = check_table()["checks"][check]
        ratio = outcome_chance(check, outcome, cause.cause) * len(entry["outcomes"])
        text = entry["outcomes"][outcome]["text"]
        said = f"found by hand: {text[0].lower()}{text[1:]}"
        if ratio >= WORTH_SAYING:
            speaks_for.append(said)
        elif ratio <= 1 / WORTH_SAYING:
            against.append(said)
    return replace(cause, speaks_for=tuple(speaks_for), speaks_against=tuple(against))


def _chance(entry: CauseEntry, rule: str, mistake: float) -> float:
    return entry.shows[rule][0] if rule in entry.shows else mistake


def _log(chance: float, tripped: bool) -> float:
    return math.log(chance if tripped else 1 - chance)


def _cause(
    name: str, entry: CauseEntry, weight: float, tripped: Mapping[str, str],
    watched: list[str], mistake: float,
) -> Cause:  # fmt: skip
    speaks_for, against = [], []
    for rule in watched:
        chance, why = entry.shows.get(rule, (mistake, ""))
        if rule in tripped and chance >= WORTH_SAYING * mistake and why:
            speaks_for.append(why)
        elif rule in tripped and chance <= 2 * mistake and name != NONE_OF_THESE:
            against.append(f"it would not explain “{tripped[rule]}”")
        elif rule not in tripped and chance >= 0.5 and why:
            against.append(f"one would expect that {why}; it was watched for and not seen")
    return Cause(name, entry.title, weight, tuple(speaks_for), tuple(against))


# ---------------------------------------------------------------- the next hand check


@lru_cache(maxsize=1)
def check_table() -> dict[str, Any]:
    """The shipped hand checks as they stand in the file."""
    return _toml("checks.toml")


def propose_check(causes: tuple[Cause, ...], done: Collection[str] = ()) -> Check | None:
    """The check with the greatest expected information per minute that has not been ``done``,
    None when none tells anything."""
    if not causes:
        return None
    weights = {cause.cause: cause.weight for cause in causes}
    table = check_table()
    rated = [
        (expected_bits(weights, entry["outcomes"]), name, entry)
        for name, entry in table["checks"].items()
        if name not in done
    ]
    worth = [item for item in rated if item[0] >= LEAST_BITS]
    if not worth:
        return None
    bits, name, entry = max(worth, key=lambda item: item[0] / item[2]["minutes"])
    return Check(
        check=name, title=entry["title"], do=entry["do"], tools=entry["tools"],
        minutes=float(entry["minutes"]),
        outcomes=tuple((o["text"], o["means"]) for o in entry["outcomes"].values()),
        cautions=tuple(table["cautions_always"]), bits=round(bits, 3),
    )  # fmt: skip


def expected_bits(weights: Mapping[str, float], outcomes: Mapping[str, Any]) -> float:
    """Mutual information in bits between cause and outcome: entropy now minus expected after."""
    even = 1 / len(outcomes)
    chances = {
        cause: _normed([o["likely"].get(cause, even) for o in outcomes.values()])
        for cause in weights
    }
    bits = 0.0
    for index in range(len(outcomes)):
        whole = sum(weights[cause] * chances[cause][index] for cause in weights)
        for cause, weight in weights.items():
            joint = weight * chances[cause][index]
            if joint > 0:
                bits += joint * math.log2(chances[cause][index] / whole)
    return bits


def _normed(chances: list[float]) -> list[float]:
    whole = sum(chances)
    return [chance / whole for chance in chances]


def _toml(name: str) -> dict[str, Any]:
    text = files("sootsayer_config").joinpath(name).read_text(encoding="utf-8")
    return tomllib.loads(text)
