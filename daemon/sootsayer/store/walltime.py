"""Log time to wall time, from what the wall clock said. Nothing is ever sorted by the result."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sootsayer.model import Anchor

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


# Crystals of small computers are off by up to 100 millionths, more in the cold. What two anchors
# differ by beyond that is no drift: one of them was wrong, and the later one is believed.
MOST_DRIFT = 200e-6
Knot = tuple[int, int]  # log time, and by how much the wall clock is ahead of it


@dataclass(slots=True)
class _Boot:
    """One boot's clock: wall = log time + what its knots say. Log times but for the two bounds."""

    start_ms: int
    end_ms: int | None
    knots: Sequence[Knot]  # ascending, at least one
    trusted: bool
    earliest_ms: int | None = None  # wall time before which it cannot have started
    latest_ms: int | None = None

    def wall_ms(self, t_ms: int) -> int:
        """Between two knots along the straight line, outside them as at the nearest."""
        at = bisect_right(self.knots, t_ms, key=lambda knot: knot[0])
        if at in (0, len(self.knots)):
            return t_ms + self.knots[max(0, at - 1)][1]
        (from_ms, lead_ms), (to_ms, later_ms) = self.knots[at - 1], self.knots[at]
        return t_ms + lead_ms + (later_ms - lead_ms) * (t_ms - from_ms) // (to_ms - from_ms)

    def move_to(self, start_wall_ms: int) -> None:
        """An untrusted boot to where it can just be true."""
        self.knots = [(self.start_ms, start_wall_ms - self.start_ms)]


class WallTimes:
    """Wall time of any log time.

    Within one boot both clocks run nearly alike, so the latest trusted anchor corrects the whole
    boot, also what was recorded before it. Several that agree but for the drift of a crystal hold
    it together: between two of them the difference grows evenly. Without any, the boot's first
    anchor is all there is, but boots follow one another: a clock that says a boot began before
    the one before it ended (a machine without a battery that started in 1970 or an hour ago), or
    ended after the next one began, is moved to where it can just be true.
    """

    def __init__(
        self,
        boot_starts_ms: Sequence[int],
        anchors: Iterable[Anchor],
        boot_ends_ms: Sequence[int | None] | None = None,
    ) -> None:
        """``boot_starts_ms`` ascending log times. Before the first lies what has no boot.

        ``boot_ends_ms``: the last log time known of each boot; without it nothing is moved.
        """
        self._starts_ms = boot_starts_ms
        said: dict[int, list[Anchor]] = {}
        for anchor in sorted(anchors, key=lambda anchor: anchor.t_ms):
            said.setdefault(self._number(anchor.t_ms), []).append(anchor)
        ends_ms = boot_ends_ms or [None] * len(boot_starts_ms)
        self._boots = [_boot(-(1 << 62), None, said.get(0, []))]
        for number, (start_ms, end_ms) in enumerate(zip(boot_starts_ms, ends_ms, strict=True), 1):
            self._boots.append(_boot(start_ms, end_ms, said.get(number, [])))
        if boot_ends_ms is not None:
            _bound_from_below(self._boots[1:])
            _bound_from_above(self._boots[1:])

    def wall_ms(self, t_ms: int) -> tuple[int, bool]:
        """Unix time in ms and whether it can be trusted. Without any anchor, log time itself."""
        boot = self._boots[self._number(t_ms)]
        return boot.wall_ms(t_ms), boot.trusted

    def bounds_ms(self, t_ms: int) -> tuple[int | None, int | None]:
        """Between which Unix times in ms a log time must lie; None where nothing tells."""
        boot = self._boots[self._number(t_ms)]
        if boot.trusted:
            return boot.wall_ms(t_ms), boot.wall_ms(t_ms)
        since_ms = t_ms - boot.start_ms
        return (
            None if boot.earliest_ms is None else boot.earliest_ms + since_ms,
            None if boot.latest_ms is None else boot.latest_ms + since_ms,
        )

    def _number(self, t_ms: int) -> int:
        return bisect_right(self._starts_ms, t_ms)


def _boot(start_ms: int, end_ms: int | None, said: Sequence[Anchor]) -> _Boot:
    trusted = [anchor for anchor in said if anchor.trusted]
    if trusted:
        return _Boot(start_ms, end_ms, _knots(trusted), True)
    first = [(anchor.t_ms, anchor.wall_ms - anchor.t_ms) for anchor in said[:1]]
    return _Boot(start_ms, end_ms, first or [(start_ms, 0)], False)


def _knots(trusted: Sequence[Anchor]) -> list[Knot]:
    """The latest anchor, and those before it from the same source that only drift tells from it.

    Another source is left out: what a phone says lies a second beside what a time server says.
    """
    source = trusted[-1].source
    knots: list[Knot] = []
    for anchor in reversed(trusted):
        knot = (anchor.t_ms, anchor.wall_ms - anchor.t_ms)
        if knots and (
            anchor.source != source
            or not knots[-1][0] - knot[0] > 0
            or abs(knots[-1][1] - knot[1]) > MOST_DRIFT * (knots[-1][0] - knot[0])
        ):
            break
        knots.append(knot)
    return knots[::-1]


def _bound_from_below(boots: Sequence[_Boot]) -> None:
    """No boot began before the one before it ended, nor is shown to have."""
    floor_ms: int | None = None  # what is certain
    shown_ms: int | None = None  # where the boot before is shown to end
    for boot in boots:
        if not boot.trusted and floor_ms is not None and shown_ms is not None:
            boot.earliest_ms = floor_ms
            boot.move_to(max(boot.wall_ms(boot.start_ms), floor_ms, shown_ms))
        last_ms = boot.start_ms + _length_ms(boot)
        if boot.trusted:
            floor_ms = boot.wall_ms(last_ms)
        elif floor_ms is not None:
            floor_ms += _length_ms(boot)
        if floor_ms is not None:
            shown_ms = boot.wall_ms(last_ms)


def _bound_from_above(boots: Sequence[_Boot]) -> None:
    """No boot ended after the next one began, nor is shown to have."""
    ceiling_ms: int | None = None
    shown_ms: int | None = None
    for boot in reversed(boots):
        if boot.trusted:
            ceiling_ms = boot.wall_ms(boot.start_ms)
        elif ceiling_ms is not None and shown_ms is not None:
            ceiling_ms -= _length_ms(boot)
            boot.latest_ms = ceiling_ms
            latest_ms = min(ceiling_ms, shown_ms - _length_ms(boot))
            boot.move_to(min(boot.wall_ms(boot.start_ms), latest_ms))
        if ceiling_ms is not None:
            shown_ms = boot.wall_ms(boot.start_ms)


def _length_ms(boot: _Boot) -> int:
    return 0 if boot.end_ms is None else max(0, boot.end_ms - boot.start_ms)


def utc_text(wall_ms: int) -> str:
    """ISO 8601 with milliseconds: "2026-11-24T07:30:12.345Z"."""
    moment = EPOCH + timedelta(milliseconds=wall_ms)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{wall_ms % 1000:03d}Z"
