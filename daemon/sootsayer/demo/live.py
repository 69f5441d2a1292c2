"""One invented car that drives on for ever, as far as somebody's clock has come."""

from __future__ import annotations

import threading
from collections.abc import Callable

import numpy as np

from sootsayer.demo.build import Make
from sootsayer.demo.cars import CHANNELS, STEP_MS, STEP_S, Cars, CarSpec
from sootsayer.demo.control_unit import ControlUnit, Moment, control_units
from sootsayer.demo.drive import Drivers, Road
from sootsayer.demo.encoding import CONSTANT_COUNTS, counts, monitor_cycle, monitor_status
from sootsayer.demo.monitor import CODES, FLOW, Memory, Outcome

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
        self._cars = Cars([spec])
        self._next_road = next_road
        self._drivers = Drivers(self._cars, [next_road()])
        self._memory = memory or Memory()
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
        return self._memory

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
            self._cars.readings(self._row)
            raw = dict(zip(CHANNELS, counts(self._row)[:, 0].tolist(), strict=True))
            tested = self._cars.monitor.outcome[FLOW, 0] != Outcome.NOT_RUN
            raw["monitor_status"] = monitor_status(self._memory)
            raw["monitor_cycle"] = monitor_cycle(bool(tested), float(self._cars.run_s[0]))
            return Moment(raw | CONSTANT_COUNTS, self._memory)

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

    def _remember(self) -> None:
        """Take over what the monitors found, and close the trip when the key goes off."""
        outcomes = self._cars.monitor.outcome[:, 0].copy()
        for test in np.flatnonzero(outcomes != self._known):
            if outcomes[test] == Outcome.FAILED:
                self._memory = self._memory.failed(CODES[test])
        self._known = outcomes
        if self._key_was_on and not self.key_on:
            self._memory = self._memory.end_of_trip([Outcome(int(o)) for o in outcomes])
        self._key_was_on = self.key_on
