"""Which parameters to ask for next. Pure: time comes in as numbers.

The fast ones (command, error, speed, pressure, air flow, throttle) go into one request where the
car allows it, because only then do they belong to the same moment; slow ones fill the places that
are left, or get a request of their own when they are overdue.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

FAST_MS = 300  # what is wanted more often than this belongs together
SOON = 0.7  # a slow one may come this early when a request has room: fewer requests in all
# The order in which fast ones share requests: what must be compared comes first.
TOGETHER = (0x2C, 0x2D, 0x0C, 0x0B, 0x10, 0x11, 0x69, 0x87, 0x66)
# As the last two characters of a request these would be a service of their own (clearing codes,
# control) if an adapter lost the characters before them. They never stand last.
NEVER_LAST = (0x04, 0x08)


def _together(pid: int) -> int:
    return TOGETHER.index(pid) if pid in TOGETHER else len(TOGETHER) + pid


def in_safe_order(pids: Sequence[int]) -> tuple[int, ...]:
    """The same PIDs with one last that is no service by itself, where there is such a one."""
    return tuple(sorted(pids, key=lambda pid: pid not in NEVER_LAST))


class PollPlan:
    """``wanted_ms``: PID → wanted time between readings. ``max_pids``: most in one request."""

    def __init__(self, wanted_ms: Mapping[int, int], max_pids: int, missed_pids: int) -> None:
        self._wanted_ms = dict(wanted_ms)
        self._max_pids = max_pids
        self._missed_pids = missed_pids
        self._asked_ms: dict[int, int] = {}
        self._missed: dict[int, int] = {}

    @property
    def pids(self) -> tuple[int, ...]:
        return tuple(sorted(self._wanted_ms))

    def _lateness(self, pid: int, now_ms: int) -> float:
        """1 when due, 2 when a whole wanted time overdue; what was never asked for is due first."""
        asked_ms = self._asked_ms.get(pid)
        if asked_ms is None:
            return float("inf")
        return (now_ms - asked_ms) / self._wanted_ms[pid]

    def choose(self, now_ms: int) -> tuple[int, ...]:
        """What to ask for now, in one request; empty when nothing is due."""
        late = {pid: self._lateness(pid, now_ms) for pid in self._wanted_ms}
        order = sorted(late, key=lambda pid: (-late[pid], _together(pid)))
        if not order or late[order[0]] < 1:
            return ()
        if self._max_pids == 1:
            return (order[0],)
        first = order[0]
        fast = [pid for pid in sorted(late, key=_together) if self._wanted_ms[pid] <= FAST_MS]
        chosen = self._group(fast, first) if first in fast else [first]
        for pid in order:
            if len(chosen) == self._max_pids:
                break
            if pid not in chosen and pid not in fast and late[pid] >= SOON:
                chosen.append(pid)
        if chosen[-1] in NEVER_LAST and len(chosen) == 1 and 0x0C in self._wanted_ms:
            chosen.append(0x0C)
        return in_safe_order(chosen)

    def _group(self, fast: Sequence[int], pid: int) -> list[int]:
        """The request among those that share out the fast ones in which ``pid`` stands."""
        at = fast.index(pid) // self._max_pids * self._max_pids
        return list(fast[at : at + self._max_pids])

    def due_ms(self, now_ms: int) -> int:
        """When the next one is due; ``now_ms`` if one is."""
        due = [
            self._asked_ms[pid] + wanted if pid in self._asked_ms else now_ms
            for pid, wanted in self._wanted_ms.items()
        ]
        return max(now_ms, min(due, default=now_ms + FAST_MS))

    def asked(self, pids: Sequence[int], answered: frozenset[int], now_ms: int) -> list[int]:
        """Note what a request brought. Gives the PIDs that are given up because of it."""
        given_up = []
        for pid in pids:
            self._asked_ms[pid] = now_ms
            missed = 0 if pid in answered else self._missed.get(pid, 0) + 1
            self._missed[pid] = missed
            if missed >= self._missed_pids:
                del self._wanted_ms[pid]
                given_up.append(pid)
        return given_up
