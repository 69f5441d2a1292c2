"""Rules tried on pictures: one sign a chance or a stretch of time, and what the alert does.

`.` good, `#` failed, a space nothing seen, `|` a new trip. The states stand below in the same
columns: `-` no alert, `!` alert open, `|` under `|`. For a level, `#` is surely above its raise
limit, `~` above it but not surely, `.` nothing. For a code, each sign is a trip in which codes
were read: `#` it was there, `.` it was not. A sign of a time rule is a minute, of a level rule
half a minute; without any `|` ten signs make a trip.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sootsayer.model import SootsayerError
from sootsayer.protocol.codes import name_of
from sootsayer.rules.book import Rule
from sootsayer.rules.watches import ChanceWatch, LevelWatch, SightingWatch, TimeWatch, Watch

MINUTE_MS = 60_000
LEVEL_MS = 30_000
SIGNS = {"time": ".# |", "chances": ".# |", "level": ".#~ |", "sighting": ".# "}
SIGNS_A_TRIP = 10
PICTURED_CODE = "P0401"


@dataclass(frozen=True, slots=True)
class Picture:
    """One test of one rule as its writer stated it."""

    rule: str
    name: str
    picture: str
    states: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """``found``: the states that the rule really went through."""

    test: Picture
    found: str

    @property
    def agrees(self) -> bool:
        return self.found == self.test.states


def pictures_of(tests: Mapping[str, Any], rule: str, where: str) -> Iterator[Picture]:
    """Tests of a table ``NAME = [PICTURE, STATES]``. Raises SootsayerError naming the first
    that is none."""
    for name, pair in tests.items():
        here = f"{where}.{name}"
        if not (
            isinstance(pair, list) and len(pair) == 2 and all(isinstance(p, str) for p in pair)
        ):
            raise SootsayerError(f'{here}: give two texts, e.g. ["..###", "----!"]')
        picture, states = pair
        if len(picture) != len(states):
            raise SootsayerError(
                f"{here}: the picture has {len(picture)} signs, the states {len(states)}; "
                "they stand below each other"
            )
        yield Picture(rule, name, picture, states)


def run_picture(rule: Rule, test: Picture) -> Outcome:
    """Show the picture to the rule's own watch. Raises SootsayerError on an unknown sign."""
    signs = SIGNS[rule.counts]
    if rule.counts == "level" and not rule.limit("sigmas"):
        signs = signs.replace("~", "")  # what is measured there is sure by itself
    for sign in test.picture:
        if sign not in signs:
            raise SootsayerError(
                f"tests.{rule.name}.{test.name}: {sign!r} is no sign; use one of {signs!r}"
            )
    watch: Watch
    if rule.counts == "time":
        watch = TimeWatch(rule)
    elif rule.counts == "chances":
        watch = ChanceWatch(rule)
    elif rule.counts == "level":
        watch = LevelWatch(rule)
    else:
        watch = SightingWatch(rule, PICTURED_CODE, name_of(PICTURED_CODE), rule.link)
    return Outcome(test, "".join(_walk(watch, test.picture)))


def _walk(watch: Watch, picture: str) -> Iterator[str]:
    told = "|" in picture
    trip, place = 1, 0
    for sign in picture:
        if sign == "|":
            trip += 1
            yield "|"
            continue
        if not told and place and place % SIGNS_A_TRIP == 0:
            trip += 1
        if sign != " ":
            _show(watch, sign, place, trip)
        place += 1
        yield "!" if watch.open else "-"


def _show(watch: Watch, sign: str, place: int, trip: int) -> None:
    failed = sign == "#"
    if isinstance(watch, TimeWatch):
        t_ms = place * MINUTE_MS
        found = watch.add(t_ms, t_ms + MINUTE_MS, 60.0, 60.0 if failed else 0.0, trip)
    elif isinstance(watch, ChanceWatch):
        t_ms = place * MINUTE_MS
        found = watch.add(t_ms, t_ms + 1000, failed, watch.limit(), trip, {}, "pictured")
    elif isinstance(watch, SightingWatch):
        t_ms, seen = place * MINUTE_MS, "pending"
        if failed:
            watch.settle(watch.add(t_ms, place, seen, ""), t_ms)
        found = watch.look(place)
    else:
        assert isinstance(watch, LevelWatch)
        t_ms = place * LEVEL_MS
        above = 1.5 * watch.rule.limit("raise_above")
        sd = above if sign == "~" else above / (10 * max(watch.rule.limit("sigmas"), 1.0))
        value = 0.0 if sign == "." else above
        rows = watch.rule.limit("least_rows")
        found = watch.add(t_ms, t_ms + LEVEL_MS, value, sd, rows)
    watch.settle(found, t_ms)
