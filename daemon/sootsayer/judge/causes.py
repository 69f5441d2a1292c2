"""What would explain the findings: Bayes over the rules that had exposure.

A rule that was watched and stayed quiet speaks too; one that was never exposed says nothing.
Rules that read the same evidence make one statement together, that of the strongest which
tripped: else one choked opening, told by four rules, would count as four. Their silence is one
statement, too.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from itertools import takewhile
from typing import Any, NamedTuple

import numpy as np

from sootsayer.judge.architecture import Sight
from sootsayer.judge.checks import check_table, outcome_chance
from sootsayer.model import Cause
from sootsayer.protocol.codes import meaning_of

NONE_OF_THESE = "none_of_these"
WORTH_SAYING = 1.5  # ratio of likelihoods from which evidence is named
BLIND = "blind"  # part of a cause's table for cars that tell no position
CODES = "C1"
SHAPES = frozenset({"M1 sometimes", "M1 small"})  # how something fails, not how strongly

Shows = Mapping[str, tuple[float, str]]  # rule → chance that it trips, why


@dataclass(frozen=True, slots=True)
class CauseEntry:
    """``prior``: by kind of valve. ``when``: what is otherwise for a kind of valve, or blind."""

    title: str
    prior: Mapping[str, float]
    shows: Shows
    when: Mapping[str, Shows]
    otherwise: float  # chance of a rule that is not named


@dataclass(frozen=True, slots=True)
class Table:
    causes: Mapping[str, CauseEntry]
    groups: Mapping[str, tuple[str, ...]]  # rules that read the same evidence, strongest first
    faint_share: float  # of faults that are met are faint …
    faint_part: float  # … and trip a rule so much less often


@lru_cache(maxsize=1)
def cause_table() -> Table:
    """Causes by name and groups of rules, as shipped."""
    text = files("sootsayer_config").joinpath("causes.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    valves, mistake = tuple(table["valves"]), float(table["by_mistake"])
    return Table(
        {name: _entry(entry, valves, mistake) for name, entry in table["causes"].items()},
        {name: tuple(group["rules"]) for name, group in table["groups"].items()},
        float(table["faint_share"]),
        float(table["faint_part"]),
    )


def _entry(entry: Mapping[str, Any], valves: Collection[str], mistake: float) -> CauseEntry:
    prior = entry["prior"]
    return CauseEntry(
        entry["title"],
        {valve: float(prior.get(valve, 0) if isinstance(prior, dict) else prior)
         for valve in valves},
        _shows(entry.get("shows", {})),
        {name: _shows(shows) for name, shows in entry.get("when", {}).items()},
        float(entry.get("otherwise", mistake)),
    )  # fmt: skip


def _shows(table: Mapping[str, Any]) -> dict[str, tuple[float, str]]:
    return {rule: (float(s["p"]), s["why"]) for rule, s in table.items()}


def code_rule(code: str) -> str:
    """The name under which the table speaks of a stored code: by what it accuses."""
    return f"{CODES} {meaning_of(code)}"


def expected(entry: CauseEntry, rule: str, valve: str, position: bool) -> tuple[float, str]:
    """Chance that a rule trips if this is the cause on such a car, and why."""
    for part in (valve, *(() if position else (BLIND,))):
        if rule in entry.when.get(part, {}):
            return entry.when[part][rule]
    return entry.shows.get(rule, (entry.otherwise, ""))


@lru_cache(maxsize=1)
def known_rules() -> frozenset[str]:
    """Rules that some cause names; what no cause predicts cannot tell causes apart."""
    return frozenset(
        rule
        for entry in cause_table().causes.values()
        for shows in (entry.shows, *entry.when.values())
        for rule in shows
    )


# ---------------------------------------------------------------- statements


class Statement(NamedTuple):
    """What was seen once. ``rules``: the one that tripped, or those of one group that all stayed
    quiet: their silence counts once, as that of the rule which the cause would trip most
    surely."""

    rules: tuple[str, ...]
    tripped: bool


def statements(tripped: Collection[str], watched: Iterable[str]) -> Iterator[Statement]:
    """What counts: of each group the strongest that tripped and the silence of those above it,
    of other rules all."""
    left = set(watched)
    for rules in cause_table().groups.values():
        here = tuple(rule for rule in rules if rule in left)
        quiet = tuple(takewhile(lambda rule: rule not in tripped, here))
        if quiet:
            yield Statement(quiet, False)
        if len(quiet) < len(here):
            yield Statement(here[len(quiet) : len(quiet) + 1], True)
        left -= set(rules)
    for rule in sorted(left):
        yield Statement((rule,), rule in tripped)


def weigh_causes(
    tripped: Mapping[str, str],
    exposed: Collection[str],
    found: Mapping[str, str] | None = None,
    sight: Sight | None = None,
) -> tuple[Cause, ...]:
    """Causes, heaviest first. ``tripped``: rule → title of its alert; ``exposed``: rules that
    had their least exposure; ``found``: hand check → its recorded outcome. Empty when nothing
    has tripped that a cause could explain."""
    known = known_rules()
    told = tuple(sorted((rule, title) for rule, title in tripped.items() if rule in known))
    watched = known & (frozenset(exposed) | frozenset(tripped))
    return _weighed(told, watched, tuple((found or {}).items()), sight or Sight.unknown())


# Findings change seldom, verdicts are asked for all the time.
@lru_cache(maxsize=32)
def _weighed(
    findings: tuple[tuple[str, str], ...],
    watched: frozenset[str],
    results: tuple[tuple[str, str], ...],
    sight: Sight,
) -> tuple[Cause, ...]:
    told, found = dict(findings), dict(results)
    if not told:
        return ()
    said = list(statements(told, watched))
    joint = _joint(said, found, sight)
    weights = {name: sum(parts.values()) for name, parts in joint.items()}
    ordered = sorted((name for name in weights if weights[name] > 0), key=lambda n: -weights[n])
    return tuple(
        _with_checks(
            _cause(name, weights[name], max(joint[name], key=joint[name].__getitem__), said, told,
                   sight),
            found,
        )
        for name in ordered
    )  # fmt: skip


def _joint(
    said: list[Statement], found: Mapping[str, str], sight: Sight
) -> dict[str, dict[str, float]]:
    """Posterior of cause and kind of valve together: cause → valve → weight, summing to 1."""
    causes = cause_table().causes
    logs: dict[tuple[str, str], float] = {}
    for valve, share in sight.valves.items():
        whole = sum(entry.prior[valve] for entry in causes.values())
        for name, entry in causes.items():
            if share > 0 and entry.prior[valve] > 0:
                log = math.log(share * entry.prior[valve] / whole)
                log += sum(math.log(outcome_chance(c, o, name)) for c, o in found.items())
                logs[name, valve] = log + log_likelihood(entry, said, valve, sight.position)
    most = max(logs.values())
    parts = {key: math.exp(log - most) for key, log in logs.items()}
    whole = sum(parts.values())
    joint: dict[str, dict[str, float]] = {name: {"": 0.0} for name in causes}
    for (name, valve), part in parts.items():
        joint[name][valve] = part / whole
    return joint


def likeliest(
    entry: CauseEntry, rules: Iterable[str], valve: str, position: bool
) -> tuple[str, float, str]:
    """Of these rules the one that this cause trips most surely, its chance, and why."""
    return max(
        ((rule, *expected(entry, rule, valve, position)) for rule in rules), key=lambda e: e[1]
    )


def log_likelihood(
    entry: CauseEntry, said: Iterable[Statement], valve: str, position: bool
) -> float:
    """Of all statements together if this is the cause, marked or faint.

    A fault that is faint trips every rule more seldom, so the silence of several says that it is
    faint before it says that it is another.
    """
    table = cause_table()
    marked, faint = math.log(1 - table.faint_share), math.log(table.faint_share)
    for rules, did in said:
        rule, chance, why = likeliest(entry, rules, valve, position)
        less = chance * table.faint_part if why and rule not in SHAPES else chance
        marked += math.log(chance if did else 1 - chance)
        faint += math.log(less if did else 1 - less)
    return float(np.logaddexp(marked, faint))


def alike(causes: tuple[Cause, ...]) -> tuple[Cause, ...]:
    """The likeliest causes that readings alone leave open: each carries at least half of what
    the first does. One only, where it stands out."""
    return tuple(cause for cause in causes if cause.weight >= 0.5 * causes[0].weight)


# ---------------------------------------------------------------- what speaks for and against


def _cause(
    name: str, weight: float, valve: str, said: list[Statement], told: Mapping[str, str],
    sight: Sight,
) -> Cause:  # fmt: skip
    entry = cause_table().causes[name]
    none = cause_table().causes[NONE_OF_THESE]
    speaks_for, against = [], []
    for rules, did in said:
        rule, chance, why = likeliest(entry, rules, valve, sight.position)
        usual = expected(none, rule, valve, sight.position)[0]
        if did and why and chance >= WORTH_SAYING * usual:
            speaks_for.append(why)
        elif did and chance < usual and name != NONE_OF_THESE:
            against.append(f"it would not explain “{told[rule]}”")
        elif not did and chance >= 0.5 and why:
            against.append(f"one would expect that {why}; it was watched for and not seen")
    return Cause(name, entry.title, weight, tuple(speaks_for), tuple(against))


def _with_checks(cause: Cause, found: Mapping[str, str]) -> Cause:
    """The cause with what was found by hand among what speaks for and against it."""
    speaks_for, against = list(cause.speaks_for), list(cause.speaks_against)
    for check, outcome in found.items():
        text = check_table()["checks"][check]["outcomes"][outcome]["text"]
        said = f"found by hand: {text[0].lower()}{text[1:]}"
        ratio = outcome_chance(check, outcome, cause.cause) / outcome_chance(
            check, outcome, NONE_OF_THESE
        )
        if ratio >= WORTH_SAYING:
            speaks_for.append(said)
        elif ratio <= 1 / WORTH_SAYING:
            against.append(said)
    return replace(cause, speaks_for=tuple(speaks_for), speaks_against=tuple(against))
