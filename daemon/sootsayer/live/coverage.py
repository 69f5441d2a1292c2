"""Finds the stretches without readings and says why they are empty."""

from __future__ import annotations

from sootsayer.model import Gap, SourceState, SourceStatus


class Coverage:
    """``gap_ms``: silence up to this long is ordinary polling, not a gap.

    ``last_ms``: the last reading of an earlier run, None in a new archive; ``reason``: why there
    has been nothing since.
    """

    def __init__(self, gap_ms: int, last_ms: int | None, reason: str) -> None:
        self._gap_ms = gap_ms
        self._last_ms = last_ms
        self._reason = reason

    def reading(self, t_ms: int) -> Gap | None:
        """The gap that this reading ends, if it ends one."""
        last_ms, reason = self._last_ms, self._reason
        self._last_ms = t_ms if last_ms is None else max(t_ms, last_ms)
        self._reason = ""
        if last_ms is None or t_ms - last_ms <= self._gap_ms:
            return None
        # The interval is start < t <= end, and the reading at t itself is not missing.
        return Gap(last_ms, t_ms - 1, reason or "no answer")

    def status(self, status: SourceStatus) -> None:
        """The first trouble after the last reading explains the gap; what follows are attempts."""
        if status.state is not SourceState.READING and not self._reason:
            self._reason = f"{status.state}: {status.reason}" if status.reason else status.state
