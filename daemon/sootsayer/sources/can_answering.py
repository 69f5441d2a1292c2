"""Which control units answer which kind of request, remembered from trip to trip. Pure.

On CAN a unit stays silent to what it does not know, so each kind is tried a few times and then not
waited for. To try all of it again at every start would cost the first seconds of each trip, which
are wanted for judging a hot start.
"""

from __future__ import annotations

from collections.abc import Collection

UNKNOWN_TRIES = 2
TRIPS_REMEMBERED = 8  # both tries may have been lost on the way; then the silent are tried again


class Answering:
    """``most_missed``: in a row, until a unit that did answer a kind is no longer waited for."""

    def __init__(self, most_missed: int) -> None:
        self._most_missed = most_missed
        self._answered: dict[bytes, set[str]] = {}  # kind → units
        self._missed: dict[tuple[str, bytes], int] = {}
        self._car: frozenset[tuple[str, frozenset[int]]] = frozenset()
        self._trips = 0

    def begin(self, car: frozenset[tuple[str, frozenset[int]]]) -> None:
        """A trip begins; ``car``: units and what each announces, by which another car is told."""
        self._trips += 1
        if car != self._car or self._trips >= TRIPS_REMEMBERED:
            self._car, self._trips = car, 0
            self._answered.clear()
            self._missed.clear()
            return
        silent = {key: n for key, n in self._missed.items() if not self.answers(*key)}
        self._missed = silent

    def waited_for(self, unit: str, request: bytes) -> bool:
        """Whether this unit answers such a request, or may."""
        kind = kind_of(request)
        most = self._most_missed if self.answers(unit, kind) else UNKNOWN_TRIES
        return self._missed.get((unit, kind), 0) < most

    def answers(self, unit: str, kind: bytes) -> bool:
        return kind[0] == 0x01 or unit in self._answered.get(kind, ())

    def note(self, request: bytes, expected: Collection[str], came: Collection[str]) -> int:
        """Who of the expected came, and who else. How many of those that do answer did not."""
        kind, missed = kind_of(request), 0
        self._answered.setdefault(kind, set()).update(came)
        for unit in {*expected, *came}:
            times = 0 if unit in came else self._missed.get((unit, kind), 0) + 1
            self._missed[unit, kind] = times
            missed += bool(times) and self.answers(unit, kind)
        return missed


def kind_of(request: bytes) -> bytes:
    """Requests of service 01 for other parameters are one kind; of other services each its own."""
    return request[:1] if request[0] == 0x01 and request[1:2] != b"\x00" else request
