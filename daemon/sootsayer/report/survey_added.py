"""What streams and sensors of a person's own give, and which rules rest on each."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from sootsayer.judge.visibility import visible
from sootsayer.model import SourceState, SourceStatus
from sootsayer.rules.book import Rule


@dataclass(frozen=True, slots=True)
class AddedFound:
    """A stream or sensor as configured, and what came of it.

    ``arms``: rules that are armed by what it gave and would not be without; ``would_arm``: those
    that what it did not give would arm. ``trouble``: its own words, "" where all came.
    """

    source: str
    channels: tuple[str, ...]
    given: tuple[str, ...]
    arms: tuple[str, ...]
    would_arm: tuple[str, ...]
    trouble: str


def added_found(
    configured: Mapping[str, tuple[str, ...]],
    able: Collection[str],
    statuses: Iterable[SourceStatus],
    rules: Mapping[str, Rule],
) -> tuple[AddedFound, ...]:
    """``configured``: channels by source. ``able``: all that the car and sensors gave."""
    last = {status.source: status for status in statuses}
    return tuple(
        _found(source, channels, set(able), last.get(source), rules)
        for source, channels in configured.items()
    )


def _found(
    source: str,
    channels: tuple[str, ...],
    able: set[str],
    last: SourceStatus | None,
    rules: Mapping[str, Rule],
) -> AddedFound:
    given = tuple(channel for channel in channels if channel in able)
    missing = set(channels) - able
    armed = _armed(able, rules)
    return AddedFound(
        source=source,
        channels=channels,
        given=given,
        arms=tuple(sorted(armed - _armed(able - set(given), rules))),
        would_arm=tuple(sorted(_armed(able | missing, rules) - armed)),
        trouble=last.reason if missing and last and last.state is not SourceState.READING else "",
    )


def _armed(able: Collection[str], rules: Mapping[str, Rule]) -> set[str]:
    return {sight.rule for sight in visible(able, rules) if sight.armed}
