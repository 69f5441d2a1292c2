"""What a car lets us see: which rules are armed by its channels, and what would arm more.

Pure. A rule is armed when each of its needs is met; what it needs stands in ``rules.toml``, where
"a|b" is met by either. Whether an armed rule then finds chances is another matter, told by the
links themselves.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from sootsayer.model import Link
from sootsayer.rules.book import Rule

# Needs that are no channel: a control unit that answers when asked for codes, and one that gives
# results of its recirculation monitor (service 06). Nobody can add them to a car.
CODES, RESULTS = "codes", "results"
OWN_WORD = frozenset({CODES, RESULTS})


@dataclass(frozen=True, slots=True)
class RuleSight:
    """One rule before a car. ``missing``: unmet needs as they stand in the rule, none: armed."""

    rule: str
    title: str
    link: Link | None
    missing: tuple[str, ...]

    @property
    def armed(self) -> bool:
        return not self.missing


@dataclass(frozen=True, slots=True)
class Addition:
    """A channel that would arm rules if the car gave it, or a sensor did."""

    channel: str
    arms: tuple[str, ...]  # rules, by name


def unmet(rule: Rule, channels: Collection[str]) -> tuple[str, ...]:
    """The needs of a rule that none of these channels meets."""
    return tuple(need for need in rule.needs if not any(c in channels for c in need.split("|")))


def visible(channels: Collection[str], rules: Mapping[str, Rule]) -> tuple[RuleSight, ...]:
    """Each rule before a car that gives these channels (and ``CODES``, if it answers them)."""
    return tuple(
        RuleSight(rule.name, rule.title, rule.link, unmet(rule, channels))
        for rule in rules.values()
    )


def additions(channels: Collection[str], rules: Mapping[str, Rule]) -> tuple[Addition, ...]:
    """Single channels that would arm rules, the one that arms most first.

    Of a need with alternatives the first is named: rules list the best witness first.
    """
    arms: dict[str, list[str]] = {}
    for sight in visible(channels, rules):
        if len(sight.missing) == 1 and sight.missing[0] not in OWN_WORD:
            channel = sight.missing[0].partition("|")[0]
            arms.setdefault(channel, []).append(sight.rule)
    found = [Addition(channel, tuple(names)) for channel, names in arms.items()]
    return tuple(sorted(found, key=lambda a: -len(a.arms)))


def nearest(channels: Collection[str], rules: Mapping[str, Rule]) -> tuple[str, ...]:
    """Where no single channel arms anything: those that most silent rules lack, first first."""
    lacking = Counter(
        need.partition("|")[0]
        for sight in visible(channels, rules)
        for need in sight.missing
        if need not in OWN_WORD
    )
    return tuple(channel for channel, _ in lacking.most_common())


def needed_channels(channels: Collection[str], rules: Mapping[str, Rule]) -> frozenset[str]:
    """Those of the channels that an armed rule needs or shows as evidence."""
    wanted: set[str] = set()
    for rule in rules.values():
        if not unmet(rule, channels):
            wanted.update(rule.channels)
            wanted.update(channel for need in rule.needs for channel in need.split("|"))
    return frozenset(wanted & set(channels))


# ---------------------------------------------------------------- link by link


@dataclass(frozen=True, slots=True)
class LinkSight:
    """One link before a car. ``kinds``: independent kinds of evidence that could speak of it.

    With no armed rule of its own the link is unseen; one kind can only make it doubtful, two can
    show it broken.
    """

    link: Link
    armed: tuple[RuleSight, ...]
    silent: tuple[RuleSight, ...]
    kinds: tuple[str, ...]

    @property
    def seen(self) -> bool:
        return bool(self.armed)


def links_seen(channels: Collection[str], rules: Mapping[str, Rule]) -> tuple[LinkSight, ...]:
    """All five links, in order.

    What a control unit says of itself speaks for a link, but does not make it seen by us.
    """
    sights = visible(channels, rules)
    return tuple(_link_seen(link, sights, rules) for link in Link)


def _link_seen(link: Link, sights: tuple[RuleSight, ...], rules: Mapping[str, Rule]) -> LinkSight:
    own = [s for s in sights if s.link is link and OWN_WORD.isdisjoint(rules[s.rule].needs)]
    speaking = [s for s in sights if s.armed and (s.link is link or link in rules[s.rule].supports)]
    return LinkSight(
        link,
        tuple(sight for sight in own if sight.armed),
        tuple(sight for sight in own if not sight.armed),
        tuple(dict.fromkeys(rules[sight.rule].kind for sight in speaking)),
    )
