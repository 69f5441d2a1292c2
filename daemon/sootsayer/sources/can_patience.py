"""How long to wait for a control unit, and what may be asked while a late answer can still come.

ISO 15765-4 gives a control unit 50 ms, and most need far less. Once a unit's own times are known,
one that is silent for three times its longest is not waited for any longer, so that a lost frame
costs little. Its answer may be late all the same: for ``late_s`` after the question, only what no
late frame can be taken for is asked (`Unanswered`), and a unit that was late once is waited for in
full for a good while. Pure but for deadlines.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection
from dataclasses import dataclass

from sootsayer.clock import Deadline
from sootsayer.protocol.j1979 import CURRENT

KNOWN_AFTER = 20  # replies: a second or two of asking
REMEMBERED = 50  # newest reply times of a unit; the longest of them counts
MARGIN = 3.0  # times the longest: units answer slower while they are busy
LATE_FORGIVEN = 200  # replies until a unit that was late is trusted again


class Patience:
    """Reply times by control unit. ``least_s`` and ``most_s`` bound what is waited."""

    def __init__(self, least_s: float, most_s: float) -> None:
        self._least_s = least_s
        self._most_s = most_s
        self._took_s: dict[str, deque[float]] = {}
        self._distrust: dict[str, int] = {}  # unit → replies until it is trusted again

    def took(self, unit: str, seconds: float) -> None:
        """A reply began so long after its question."""
        self._took_s.setdefault(unit, deque(maxlen=REMEMBERED)).append(seconds)
        if self._distrust.get(unit, 0) > 0:
            self._distrust[unit] -= 1

    def late(self, unit: str) -> None:
        """A reply came when nobody waited for it any longer."""
        self._distrust[unit] = LATE_FORGIVEN

    def wait_s(self, units: Collection[str]) -> float:
        """How long to wait for the first frame of the slowest of these."""
        return max((self._of(unit) for unit in units), default=self._most_s)

    def _of(self, unit: str) -> float:
        took_s = self._took_s.get(unit, ())
        if len(took_s) < KNOWN_AFTER or self._distrust.get(unit, 0) > 0:
            return self._most_s
        return min(max(self._least_s, MARGIN * max(took_s)), self._most_s)


@dataclass(frozen=True, slots=True)
class Missed:
    """A question that some units did not answer in time, and until when they still may."""

    request: bytes  # in the words of J1979
    units: frozenset[str]
    fits: Callable[[str, bytes], bool]
    until: Deadline


class Unanswered:
    """Questions to which a late answer may still come.

    While there are any, only such questions may be asked ("aside") as have a reply of one frame,
    into which no frame of a long late reply can slip, and share no parameter with them, so that a
    late reply does not fit.
    """

    def __init__(self) -> None:
        self._missed: list[Missed] = []

    def add(self, missed: Missed) -> None:
        self._missed.append(missed)

    def left_s(self) -> float:
        """Until none can come any more."""
        self._forget()
        return max((one.until.left_s() for one in self._missed), default=0.0)

    @property
    def pids(self) -> frozenset[int]:
        """Parameters of service 01 that may not be asked for now."""
        self._forget()
        asked = (one.request[1:] for one in self._missed if one.request[0] == CURRENT)
        return frozenset().union(*asked)

    def is_late(self, unit: str, payload: bytes) -> bool:
        """Whether this reply answers one of them."""
        self._forget()
        return any(unit in one.units and one.fits(unit, payload) for one in self._missed)

    def awaits(self, unit: str) -> bool:
        self._forget()
        return any(unit in one.units for one in self._missed)

    def _forget(self) -> None:
        self._missed = [one for one in self._missed if not one.until.passed()]
