"""How often each channel is wanted, and whether a rule that this car arms needs it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import cache

from sootsayer.judge.visibility import OWN_WORD, needed_channels
from sootsayer.protocol.pids import channels_of
from sootsayer.rules.book import Rule, load_rules
from sootsayer.sources.adapter_settings import wanted_s
from sootsayer.units import MS_PER_S


@dataclass(frozen=True, slots=True)
class Wanted:
    """``needed``: a rule that is armed on this car rests on it or draws it as evidence."""

    pace_ms: int
    needed: bool


@cache
def _rules() -> Mapping[str, Rule]:
    return load_rules()


def wanted_channels(
    supported: Collection[int], rules: Mapping[str, Rule] | None = None
) -> dict[str, Wanted]:
    """Channel → wish, for those of the supported PIDs that ``channels.toml`` lists.

    ``rules``: whose needs count, the shipped ones if not given.
    """
    given = frozenset(channel for pid in supported for channel in channels_of(pid))
    needed = needed_channels(given | OWN_WORD, _rules() if rules is None else rules)
    return {
        channel: Wanted(int(pace_s * MS_PER_S), channel in needed)
        for channel, pace_s in wanted_s().items()
        if channel in given
    }
