"""What each link was not watched for yet: rules that this car's channels arm and that have not
had their least exposure. They are silent, and their silence must not be taken for health."""

from __future__ import annotations

from collections.abc import Collection

from sootsayer.judge.visibility import unmet
from sootsayer.model import Link
from sootsayer.rules.engine import Rules

# What a rule watches, in one or two words for a list.
WATCHED = {
    "P1": "rolling",
    "P3C": "warm-ups",
    "P3T": "shut throttle",
    "P3P": "key-on pressure",
    "P3S": "temperatures",
    "P3M": "air meter",
    "A2": "command band",
    "A3": "steady cruise",
    "E1": "knock",
    "E3": "hot restarts",
    "E4": "trims",
    "E5": "stalling",
    "E6": "heat",
}


def not_watched(rules: Rules, link: Link, channels: Collection[str]) -> tuple[str, ...]:
    """Words for the rules of a link that could see something here and have not yet."""
    waiting = [
        name
        for name, watch in rules.watches.items()
        if watch.link() is link and not watch.exposed() and not unmet(watch.rule, channels)
    ]
    return tuple(WATCHED[name] for name in waiting if name in WATCHED)
