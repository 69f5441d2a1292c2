"""Hand checks: what each outcome says of each cause, and which one tells most per minute."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache
from importlib.resources import files
from typing import Any

from sootsayer.judge.architecture import Sight
from sootsayer.model import Cause, Check

LEAST_BITS = 0.001  # below this a check tells nothing at all
NONE_OF_THESE = "none_of_these"


@lru_cache(maxsize=1)
def check_table() -> dict[str, Any]:
    """The shipped hand checks as they stand in the file."""
    text = files("sootsayer_config").joinpath("checks.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@lru_cache(maxsize=4096)
def chances(check: str, cause: str) -> tuple[float, ...]:
    """Chance of each outcome, in the order of the file, if this is the cause."""
    entry = check_table()["checks"][check]
    sound: Sequence[float] = entry["otherwise"]
    if cause in entry["likely"]:
        found: Sequence[float] = entry["likely"][cause]
    elif cause == NONE_OF_THESE:
        # What we do not know may lie in the checked part or not: half a sound part, half no idea.
        found = [(part + 1 / len(sound)) / 2 for part in sound]
    else:
        found = sound
    whole = sum(found)
    return tuple(part / whole for part in found)


def outcome_chance(check: str, outcome: str, cause: str) -> float:
    """Chance of one outcome if this is the cause."""
    place = list(check_table()["checks"][check]["outcomes"]).index(outcome)
    return chances(check, cause)[place]


def applies(entry: Mapping[str, Any], sight: Sight) -> float:
    """How likely it is that a check can be carried out on this car at all."""
    if "channel" in entry and sight.channels.isdisjoint(entry["channel"]):
        return 0.0
    valves: Collection[str] = entry.get("valves", tuple(sight.valves))
    return sum(share for valve, share in sight.valves.items() if valve in valves)


def propose_check(
    causes: tuple[Cause, ...], done: Collection[str] = (), sight: Sight | None = None
) -> Check | None:
    """The check with the greatest expected information per minute that has not been ``done`` and
    can be carried out on this car; None when none tells anything."""
    return _proposed(causes, frozenset(done), sight or Sight.unknown()) if causes else None


@lru_cache(maxsize=32)
def _proposed(causes: tuple[Cause, ...], done: frozenset[str], sight: Sight) -> Check | None:
    weights = {cause.cause: cause.weight for cause in causes}
    table = check_table()
    rated = [
        (applies(entry, sight) * expected_bits(weights, name), name, entry)
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
        cautions=(*table["cautions_always"], *entry.get("cautions", ())), bits=round(bits, 3),
    )  # fmt: skip


def expected_bits(weights: Mapping[str, float], check: str) -> float:
    """Mutual information in bits between cause and outcome: entropy now minus expected after."""
    table = {cause: chances(check, cause) for cause in weights}
    bits = 0.0
    for place in range(len(check_table()["checks"][check]["outcomes"])):
        whole = sum(weights[cause] * table[cause][place] for cause in weights)
        for cause, weight in weights.items():
            joint = weight * table[cause][place]
            if joint > 0:
                bits += joint * math.log2(table[cause][place] / whole)
    return bits
