"""An invented car whose trips have been driven already: it answers from what was kept of them.

Many cars are driven side by side far faster than one by one; each can then be asked as if it
were driving now, by whoever brings a clock.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from sootsayer.demo.cars import CHANNELS
from sootsayer.demo.control_unit import ControlUnit, Moment, control_units
from sootsayer.demo.journeys import KEPT_MS, Driven, Stored, remembered, status_columns

RESTING_VOLTS = 12.5
CRANKING_BELOW_VOLTS = 11.2
VOLT = 0.001  # of one count


class ReplayedCar:
    """The trips of one car in time order, to be asked at ascending times. Not for several threads.

    ``stored``: what its control unit had in its memory through each trip; worked out when None.
    """

    def __init__(
        self, trips: Sequence[Driven], stored: Sequence[Sequence[Stored]] | None = None
    ) -> None:
        self.units: tuple[ControlUnit, ...] = control_units(trips[0].make)
        self._trips = trips
        self._stored = remembered(trips) if stored is None else stored
        self._starts = [trip.start_ms for trip in trips]
        self._number = -1
        self._columns: dict[str, list[int]] = {}
        self._key: list[bool] = []
        self._at = 0

    @property
    def end_ms(self) -> int:
        """When the last trip is over."""
        return self._trips[-1].key_off_ms

    def advance(self, to_ms: int) -> None:
        """Go to a log time; before the first trip and between two the car rests."""
        number = bisect_right(self._starts, to_ms) - 1
        if number != self._number:
            self._open(number)
        self._at = (to_ms - self._starts[number]) // KEPT_MS if number >= 0 else 0

    def _open(self, number: int) -> None:
        self._number = number
        self._key, self._columns = [], {}
        if number >= 0:
            trip = self._trips[number]
            self._key = trip.key_on.tolist()
            columns = dict(zip(CHANNELS, trip.raw, strict=True))
            columns |= status_columns(trip, self._stored[number])
            self._columns = {name: column.tolist() for name, column in columns.items()}

    @property
    def key_on(self) -> bool:
        return self._at < len(self._key) and self._key[self._at]

    @property
    def volts(self) -> float:
        return self._columns["vpwr"][self._at] * VOLT if self.key_on else RESTING_VOLTS

    @property
    def cranking(self) -> bool:
        return self.volts < CRANKING_BELOW_VOLTS

    def moment(self) -> Moment:
        """What the control units would say now. Raises IndexError while the car rests."""
        at = self._at
        raw = {name: column[at] for name, column in self._columns.items()}
        now_ms = self._starts[self._number] + at * KEPT_MS
        steps = [step for step in self._stored[self._number] if step.t_ms <= now_ms]
        return Moment(raw, steps[-1].memory)
