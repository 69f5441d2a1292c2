"""While the car rests, what runs beside it is kept seldom: a card wears, and nothing is new."""

from __future__ import annotations


class Thinning:
    """``every_ms``: least log time between two kept readings of one source while the car rests."""

    def __init__(self, every_ms: int) -> None:
        self._every_ms = every_ms
        self._kept_ms: dict[str, int] = {}

    def keeps(self, source: str, t_ms: int, resting: bool) -> bool:
        """Whether to keep a reading of this moment."""
        if resting and t_ms - self._kept_ms.get(source, t_ms - self._every_ms) < self._every_ms:
            return False
        self._kept_ms[source] = t_ms
        return True
