"""Log time to wall time, from what the wall clock said. Nothing is ever sorted by the result."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sootsayer.model import Anchor

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(slots=True)
class _Boot:
    """One boot's clock: wall = log time + ``lead_ms``. Log times but for the two bounds."""

    start_ms: int
    end_ms: int | None
    lead_ms: int
    trusted: bool
    earliest_ms: int | None = None  # wall time before which it cannot have started
    latest_ms: int | None = None


class WallTimes:
    """Wall time of any log time.

    Within one boot both clocks run alike, so the latest trusted anchor corrects the whole boot,
    also what was recorded before it. Without one, the boot's first anchor is all there is, but
    boots follow one another: a clock that says a boot began before the one before it ended (a
    machine without a battery that started in 1970 or an hour ago), or ended after the next one
    began, is moved to where it can just be true.
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
        best: dict[int, Anchor] = {}
        for anchor in sorted(anchors, key=lambda anchor: anchor.t_ms):
            number = self._number(anchor.t_ms)
            if anchor.trusted or number not in best:
                best[number] = anchor
        ends_ms = boot_ends_ms or [None] * len(boot_starts_ms)
        self._boots = [_boot(-(1 << 62), None, best.get(0))]
        for number, (start_ms, end_ms) in enumerate(zip(boot_starts_ms, ends_ms, strict=True), 1):
            self._boots.append(_boot(start_ms, end_ms, best.get(number)))
        if boot_ends_ms is not None:
            _bound_from_below(self._boots[1:])
            _bound_from_above(self._boots[1:])

    def wall_ms(self, t_ms: int) -> tuple[int, bool]:
        """Unix time in ms and whether it can be trusted. Without any anchor, log time itself."""
        boot = self._boots[self._number(t_ms)]
        return t_ms + boot.lead_ms, boot.trusted

    def bounds_ms(self, t_ms: int) -> tuple[int | None, int | None]:
        """Between which Unix times in ms a log time must lie; None where nothing tells."""
        boot = self._boots[self._number(t_ms)]
        if boot.trusted:
            return t_ms + boot.lead_ms, t_ms + boot.lead_ms
        since_ms = t_ms - boot.start_ms
        return (
            None if boot.earliest_ms is None else boot.earliest_ms + since_ms,
            None if boot.latest_ms is None else boot.latest_ms + since_ms,
        )

    def _number(self, t_ms: int) -> int:
        return bisect_right(self._starts_ms, t_ms)


def _boot(start_ms: int, end_ms: int | None, anchor: Anchor | None) -> _Boot:
    if anchor is None:
        return _Boot(start_ms, end_ms, 0, False)
    return _Boot(start_ms, end_ms, anchor.wall_ms - anchor.t_ms, anchor.trusted)


def _bound_from_below(boots: Sequence[_Boot]) -> None:
    """No boot began before the one before it ended, nor is shown to have."""
    floor_ms: int | None = None  # what is certain
    shown_ms: int | None = None  # where the boot before is shown to end
    for boot in boots:
        if not boot.trusted and floor_ms is not None and shown_ms is not None:
            boot.earliest_ms = floor_ms
            boot.lead_ms = max(boot.lead_ms, max(floor_ms, shown_ms) - boot.start_ms)
        began_ms = boot.start_ms + boot.lead_ms if boot.trusted else floor_ms
        if began_ms is not None:
            floor_ms = began_ms + _length_ms(boot)
            shown_ms = boot.start_ms + boot.lead_ms + _length_ms(boot)


def _bound_from_above(boots: Sequence[_Boot]) -> None:
    """No boot ended after the next one began, nor is shown to have."""
    ceiling_ms: int | None = None
    shown_ms: int | None = None
    for boot in reversed(boots):
        if boot.trusted:
            ceiling_ms = boot.start_ms + boot.lead_ms
        elif ceiling_ms is not None and shown_ms is not None:
            ceiling_ms -= _length_ms(boot)
            boot.latest_ms = ceiling_ms
            last_ms = min(ceiling_ms, shown_ms - _length_ms(boot))
            boot.lead_ms = min(boot.lead_ms, last_ms - boot.start_ms)
        if ceiling_ms is not None:
            shown_ms = boot.start_ms + boot.lead_ms


def _length_ms(boot: _Boot) -> int:
    return 0 if boot.end_ms is None else max(0, boot.end_ms - boot.start_ms)


def utc_text(wall_ms: int) -> str:
    """ISO 8601 with milliseconds: "2026-11-24T07:30:12.345Z"."""
    moment = EPOCH + timedelta(milliseconds=wall_ms)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{wall_ms % 1000:03d}Z"
