"""One invented car that drives on for ever, as far as somebody's clock has come."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sootsayer.demo.build import Make
from sootsayer.demo.cars import CHANNELS, STEP_MS, STEP_S, CarSpec
from sootsayer.demo.control_unit import ControlUnit, Moment, control_units
from sootsayer.demo.diesel import cars_of
from sootsayer.demo.drive import Drivers, Road
from sootsayer.demo.encoding import (
    UNREADY,
    constants_of,
    counts,
    monitor_cycle,
    monitor_status,
    readings_of,
    unready_after,
)
from sootsayer.demo.journeys import measured
from sootsayer.demo.ledger import Counting
from sootsayer.demo.monitor import CODES, EXCESS, FLOW, Memory, Outcome

MOST_CAUGHT_UP_MS = 600_000  # a car nobody asked for longer than this stood still meanwhile
SECOND_STEPS = round(1 / STEP_S)
VOLTS_RESTING = 12.5


class LiveCar:
    """A car that is driven up to any log time. May be asked from several threads.

    ``next_road`` is called for more road whenever the present one ends.
    """

    def __init__(
        self, spec: CarSpec, next_road: Callable[[], Road], memory: Memory | None = None
    ) -> None:
        self.make: Make = spec.make
        self.units: tuple[ControlUnit, ControlUnit] = control_units(spec.make)
        self._cars = cars_of([spec])
        self._next_road = next_road
        self._drivers = Drivers(self._cars, [next_road()])
        self._memory = memory or Memory()
        self._counting = Counting(self._memory.ledger)
        self._known = np.zeros(len(CODES), dtype=np.int64)
        self._row = np.zeros((len(CHANNELS), 1))
        self._now_ms = spec.start_ms
        self._step = 0
        self._key_was_on = False
        self._lock = threading.Lock()

    @property
    def key_on(self) -> bool:
        return bool(self._cars.ignition[0])

    @property
    def cranking(self) -> bool:
        """The starter turns: the supply dips."""
        return bool(self._cars.cranking[0])

    @property
    def volts(self) -> float:
        """What a voltmeter at the connector reads."""
        return float(self._cars.volts[0])

    @property
    def memory(self) -> Memory:
        return replace(self._memory, ledger=self._counting.ledger())

    def clear_codes(self) -> None:
        """A tester at the other socket of the workshop clears codes, as people do."""
        with self._lock:
            self._memory = self.memory.cleared(UNREADY)
            self._counting.take(self._memory.ledger)

    def advance(self, to_ms: int) -> None:
        """Drive on until ``to_ms`` (log time); an earlier time changes nothing."""
        with self._lock:
            if to_ms - self._now_ms > MOST_CAUGHT_UP_MS:
                self._stand_still(to_ms - MOST_CAUGHT_UP_MS - self._now_ms)
            while self._now_ms + STEP_MS <= to_ms:
                self._one_step()

    def moment(self) -> Moment:
        """What the control units would say now."""
        with self._lock:
            tested = self._cars.monitor.outcome[FLOW, 0] != Outcome.NOT_RUN
            status = {
                "monitor_status": monitor_status(self._memory, self.make.compression_ignition),
                "monitor_cycle": monitor_cycle(
                    bool(tested), float(self._cars.run_s[0]), self.make.compression_ignition
                ),
            }
            return Moment(self._raw() | status | self._counting.raw(), self.memory)

    def _raw(self) -> dict[str, int]:
        self._cars.readings(self._row)
        raw = dict(zip(CHANNELS, counts(self._row)[:, 0].tolist(), strict=True))
        return raw | constants_of(self.make)

    def _stand_still(self, for_ms: int) -> None:
        self._now_ms += for_ms
        self._cars.t_ms = self._cars.t_ms + for_ms

    def _one_step(self) -> None:
        if self._step >= self._drivers.seconds * SECOND_STEPS:
            self._drivers = self._drivers.onward(self._next_road())
            self._step = 0
        self._cars.step(self._drivers.controls(self._step))
        self._step += 1
        self._now_ms += STEP_MS
        if self._step % SECOND_STEPS == 0 or self.key_on != self._key_was_on:
            self._remember()
        if self._step % SECOND_STEPS == 0 and self.key_on:
            self._count()

    def _count(self) -> None:
        """One second more for what is counted since codes were cleared."""
        raw = self._raw()
        rpm, speed, coolant, air = (
            float(readings_of(name, np.array(raw[name]))) for name in ("rpm", "vss", "ect", "maf")
        )
        self._counting.second(rpm, speed, coolant, air, self._memory.lamp)

    def _remember(self) -> None:
        """Take over what the monitors found, and close the trip when the key goes off."""
        outcomes = self._cars.monitor.outcome[:, 0].copy()
        for test in np.flatnonzero(outcomes != self._known):
            self._take_over(int(test), Outcome(int(outcomes[test])))
        self._known = outcomes
        if self._key_was_on and not self.key_on:
            ended = self._memory.end_of_trip([Outcome(int(o)) for o in outcomes])
            unready = unready_after(ended.unready, False, self._counting.ledger())
            self._memory = replace(ended, unready=unready)
            self._counting.key_off()
        self._key_was_on = self.key_on

    def _take_over(self, test: int, outcome: Outcome) -> None:
        results = measured(self._cars, 0)
        self._memory = self.memory
        if test == FLOW and outcome is not Outcome.NOT_RUN:
            self._memory = self._memory.flow_tested(results.fell_kpa)
            unready = unready_after(self._memory.unready, True, self._memory.ledger)
            self._memory = replace(self._memory, unready=unready)
        if test == EXCESS and outcome is not Outcome.NOT_RUN:
            self._memory = self._memory.idle_tested(results.idle_air_part)
        if outcome is Outcome.FAILED:
            self._memory = self._memory.failed(CODES[test], self._raw())
        self._counting.take(self._memory.ledger)
