"""Log time to wall time, from what the wall clock said. Nothing is ever sorted by the result."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta

from sootsayer.model import Anchor

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class WallTimes:
    """Wall time of any log time.

    Within one boot both clocks run alike, so the latest trusted anchor corrects the whole boot,
    also what was recorded before it. Without one, the boot's first anchor is all there is.
    """

    def __init__(self, boot_starts_ms: Sequence[int], anchors: Iterable[Anchor]) -> None:
        """``boot_starts_ms`` ascending log times. Before the first lies what has no boot."""
        self._starts_ms = boot_starts_ms
        self._best: dict[int, Anchor] = {}
        for anchor in sorted(anchors, key=lambda anchor: anchor.t_ms):
            boot = self._boot(anchor.t_ms)
            if anchor.trusted or boot not in self._best:
                self._best[boot] = anchor

    def wall_ms(self, t_ms: int) -> tuple[int, bool]:
        """Unix time in ms and whether it can be trusted. Without any anchor, log time itself."""
        anchor = self._best.get(self._boot(t_ms))
        if anchor is None:
            return t_ms, False
        return t_ms + anchor.wall_ms - anchor.t_ms, anchor.trusted

    def _boot(self, t_ms: int) -> int:
        return bisect_right(self._starts_ms, t_ms)


def utc_text(wall_ms: int) -> str:
    """ISO 8601 with milliseconds: "2026-11-24T07:30:12.345Z"."""
    moment = EPOCH + timedelta(milliseconds=wall_ms)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{wall_ms % 1000:03d}Z"
