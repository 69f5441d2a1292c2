"""How parameters share requests. Pure.

What must be compared has to belong to the same moment: the EGR command with its error or
position, and engine speed with manifold pressure, air flow and throttle. They form rows. A row
goes into one request where the car allows so many; else its requests follow each other at once.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

EGR = (0x2C, 0x2D, 0x69)
BREATHING = (0x0C, 0x0B, 0x10, 0x11, 0x87, 0x66)
# As the last two characters of a request these would be a service of their own (clearing codes,
# control) if an adapter lost the characters before them. They never stand last.
NEVER_LAST = frozenset({0x04, 0x08})

Pids = tuple[int, ...]
Row = tuple[Pids, ...]  # requests that follow each other without anything between


def rows_of(pids: Collection[int], max_pids: int) -> list[Row]:
    """The rows among these PIDs, each cut into requests of at most ``max_pids``.

    One row where all fits a request; two where each does; else one long row in which command
    and error are neighbours, then speed and pressure.
    """
    egr = tuple(pid for pid in EGR if pid in pids)
    breathing = tuple(pid for pid in BREATHING if pid in pids)
    whole = egr + breathing
    if not whole:
        return []
    both_fit = max(len(egr), len(breathing)) <= max_pids
    if len(whole) > max_pids and (both_fit or max_pids == 1):
        return [cut(row, max_pids) for row in (egr, breathing) if row]
    return [cut(whole, max_pids)]


def cut(pids: Sequence[int], most: int) -> Row:
    """Pieces of at most ``most``."""
    return tuple(tuple(pids[at : at + most]) for at in range(0, len(pids), most))


def in_safe_order(pids: Sequence[int], spare: Collection[int], most: int) -> Pids:
    """The same PIDs, the last of them no service by itself.

    Where all of them are, one of ``spare`` is added, in the place of the last if there is no
    room. Alone in a request of one they are left: nothing can stand behind them.
    """
    ordered = sorted(pids, key=lambda pid: pid not in NEVER_LAST)
    others = [pid for pid in spare if pid not in NEVER_LAST]
    if ordered[-1] in NEVER_LAST and others and most > 1:
        ordered = [*ordered[: most - 1], others[0]]
    return tuple(ordered)
