"""How the invented control unit watches its own recirculation, and what it remembers.

As real ones do, it looks rarely: one intrusive test a trip, only in steady warm cruise, and a
failure must repeat in a second trip before the lamp comes on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import IntEnum

import numpy as np

from sootsayer.demo.engine_control import Sensed
from sootsayer.demo.ledger import Ledger
from sootsayer.model import BoolArray, CodeStatus, FloatArray, IntArray

STEADY_FOR_S = 8.0
STEADY_KM_H = 1.2  # change within one second
STEADY_PEDAL = 0.006
LOOK_AT_KM_H = (62.0, 112.0)
LOOK_WARM_C = 80.0
LOOK_AFTER_S = 300.0
LOOK_ASKED = 0.16
SHUT_FOR_S = 2.0
LEAST_STEP_PART = 0.25  # of the expected fall in pressure
LOOK_BELOW_KPA = 84.0  # nearer to the air outside, gas hardly moves the pressure
LOOK_BELOW_PART = 0.86  # of the air outside, likewise, up in the mountains
STEP_KPA_RPM = 4.6e4  # expected fall × rpm with the valve fully open

IDLE_FOR_S = 12.0
IDLE_LEAST_AIR_PART = 0.72  # of what pressure and speed promise

IDLE_TRIM_WITHIN = 0.12  # beyond it the air itself is in doubt, and gas is not blamed

TRIM_LIMIT = 0.23  # of the fuel, short and long together
TRIM_OFF_S = 40.0
TRIM_SEEN_S = 400.0

POSITION_OFF = 0.15
POSITION_ASKED = 0.20
POSITION_OFF_S = 45.0


class Outcome(IntEnum):
    NOT_RUN = 0
    PASSED = 1
    FAILED = 2


CODES = ("P0401", "P0402", "P0404", "P0171", "P0172")  # one test each, in this order
FLOW, EXCESS, POSITION, LEAN, RICH = range(5)


class TripMonitor:
    """The tests of one trip for n control units; called once a second."""

    def __init__(self, count: int, outside_kpa: FloatArray | None = None) -> None:
        outside = np.full(count, 101.0) if outside_kpa is None else outside_kpa
        self._below_kpa = np.minimum(LOOK_BELOW_KPA, LOOK_BELOW_PART * outside)
        self._thin_air = np.minimum(outside / 97.0, 1.0)
        self.outcome: IntArray = np.zeros((len(CODES), count), dtype=np.int64)
        self.done_s: FloatArray = np.full((len(CODES), count), np.nan)
        # what the flow test measured (fall of pressure and least fall, kPa), and the idle test
        # (measured air over promised)
        self.fell_kpa: FloatArray = np.zeros((2, count))
        self.idle_air_part: FloatArray = np.zeros(count)
        self.forced_shut: BoolArray = np.zeros(count, dtype=np.bool_)
        self._steady_s = np.zeros(count)
        self._shut_s = np.zeros(count)
        self._spoilt: BoolArray = np.zeros(count, dtype=np.bool_)
        self._before_kpa = np.zeros(count)
        self._due_kpa = np.ones(count)
        self._last_speed = np.zeros(count)
        self._last_pedal = np.zeros(count)
        self._idle_s = np.zeros(count)
        self._thin_s = np.zeros(count)
        self._off_s = np.zeros(count)
        self._asked_s = np.zeros(count)
        self._trim_off_s = np.zeros((2, count))
        self._trim_seen_s = np.zeros(count)

    def forget_trip(self, cars: BoolArray) -> None:
        """Begin the tests anew for the cars marked."""
        self.outcome[:, cars] = Outcome.NOT_RUN
        self.done_s[:, cars] = np.nan
        self._trim_off_s[:, cars] = 0.0
        for counter in (
            self._steady_s, self._idle_s, self._thin_s, self._off_s, self._asked_s,
            self._trim_seen_s,
        ):  # fmt: skip
            counter[cars] = 0.0

    def second(
        self,
        trip_s: FloatArray,
        sensed: Sensed,
        asked: FloatArray,
        actual: FloatArray,
        expected_air_part: FloatArray,
        trim: FloatArray,
        trimming: BoolArray,
    ) -> None:
        """``expected_air_part``: measured air over what speed and pressure promise.

        ``trim``: short and long trim together; ``trimming``: the fuel loop is closed and warm.
        """
        self._watch_flow(trip_s, sensed, asked)
        trusted = np.abs(trim) < IDLE_TRIM_WITHIN
        self._watch_idle(trip_s, sensed, np.where(trusted, expected_air_part, 1.0))
        self._watch_trim(trip_s, trim, trimming)
        self.watch_position(trip_s, asked, actual)

    def _watch_flow(self, trip_s: FloatArray, sensed: Sensed, asked: FloatArray) -> None:
        calm = (np.abs(sensed.speed_km_h - self._last_speed) < STEADY_KM_H) & (
            np.abs(sensed.pedal - self._last_pedal) < STEADY_PEDAL
        )
        self._last_speed, self._last_pedal = sensed.speed_km_h, sensed.pedal
        open_todo = self.outcome[FLOW] == Outcome.NOT_RUN
        fits = calm & open_todo & (asked > LOOK_ASKED) & (sensed.run_s > LOOK_AFTER_S)
        fits &= (sensed.speed_km_h > LOOK_AT_KM_H[0]) & (sensed.speed_km_h < LOOK_AT_KM_H[1])
        fits &= (sensed.coolant_c > LOOK_WARM_C) & (sensed.intake_kpa < self._below_kpa)
        testing = self.forced_shut
        finish = testing & (self._shut_s >= SHUT_FOR_S)
        fell = self._before_kpa - sensed.intake_kpa
        good = fell > LEAST_STEP_PART * self._due_kpa
        self._spoilt = (self._spoilt | ~calm) & testing
        usable = finish & ~self._spoilt
        limits = np.stack([fell, LEAST_STEP_PART * self._due_kpa])
        self.fell_kpa = np.where(usable, limits, self.fell_kpa)
        self._conclude(FLOW, usable & good, usable & ~good, trip_s)
        begin = fits & ~testing & (self._steady_s >= STEADY_FOR_S)
        self._before_kpa = np.where(begin, sensed.intake_kpa, self._before_kpa)
        due = STEP_KPA_RPM * self._thin_air * asked / np.maximum(sensed.rpm, 500.0)
        self._due_kpa = np.where(begin, due, self._due_kpa)
        self._shut_s = np.where(testing, self._shut_s + 1.0, 0.0) * ~finish
        self._steady_s = np.where(fits & ~begin, self._steady_s + 1.0, 0.0)
        self.forced_shut = (testing & ~finish) | begin

    def _watch_idle(self, trip_s: FloatArray, sensed: Sensed, air_part: FloatArray) -> None:
        idle = (sensed.pedal < 0.01) & (sensed.speed_km_h < 1.0) & (sensed.rpm > 400.0)
        idle &= (sensed.coolant_c > LOOK_WARM_C) & (sensed.run_s > LOOK_AFTER_S)
        idle &= self.outcome[EXCESS] == Outcome.NOT_RUN
        thin = idle & (air_part < IDLE_LEAST_AIR_PART)
        self._idle_s = np.where(idle, self._idle_s + 1.0, 0.0)
        self._thin_s = np.where(idle, self._thin_s + thin, 0.0)
        done = self._idle_s >= IDLE_FOR_S
        failed = done & (self._thin_s > 0.8 * IDLE_FOR_S)
        self.idle_air_part = np.where(done, air_part, self.idle_air_part)
        self._conclude(EXCESS, done & ~failed, failed, trip_s)

    def _watch_trim(self, trip_s: FloatArray, trim: FloatArray, trimming: BoolArray) -> None:
        self._trim_seen_s = self._trim_seen_s + trimming
        beyond = np.stack([trim > TRIM_LIMIT, trim < -TRIM_LIMIT]) & trimming
        self._trim_off_s = self._trim_off_s + beyond
        enough = self._trim_seen_s > TRIM_SEEN_S
        for test, off_s in zip((LEAN, RICH), self._trim_off_s, strict=True):
            todo = self.outcome[test] == Outcome.NOT_RUN
            failed = todo & (off_s > TRIM_OFF_S)
            self._conclude(test, todo & enough & ~failed, failed, trip_s)

    def watch_position(self, trip_s: FloatArray, asked: FloatArray, actual: FloatArray) -> None:
        """The valve must stand about where it is asked to."""
        todo = self.outcome[POSITION] == Outcome.NOT_RUN
        high = todo & (asked > POSITION_ASKED)
        self._asked_s = self._asked_s + high
        self._off_s = self._off_s + (high & (np.abs(actual - asked) > POSITION_OFF))
        failed = todo & (self._off_s > POSITION_OFF_S)
        passed = todo & ~failed & (self._asked_s > 4.0 * POSITION_OFF_S)
        self._conclude(POSITION, passed, failed, trip_s)

    def _conclude(
        self, test: int, passed: BoolArray, failed: BoolArray, trip_s: FloatArray
    ) -> None:
        if not (passed | failed).any():
            return
        self.outcome[test] = np.where(passed, Outcome.PASSED, self.outcome[test])
        self.outcome[test] = np.where(failed, Outcome.FAILED, self.outcome[test])
        self.done_s[test] = np.where(passed | failed, trip_s, self.done_s[test])


@dataclass(frozen=True, slots=True)
class Frame:
    """What the sensors said when the first stored code was set: raw integers by channel."""

    code: str
    raw: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Results:
    """What the two recirculation tests last measured, None: not run since codes were cleared.

    ``fell_kpa``: fall of pressure when the valve was shut, and the least that passes.
    ``idle_air_part``: air measured at idle over air promised by pressure and speed.
    """

    fell_kpa: tuple[float, float] | None = None
    idle_air_part: float | None = None


@dataclass(frozen=True, slots=True)
class Memory:
    """What one control unit has stored. Codes in the order of ``CODES``."""

    pending: tuple[str, ...] = ()
    confirmed: tuple[str, ...] = ()
    passed_trips: int = 0  # in a row with the lamp on
    outlived: tuple[str, ...] = ()  # permanent codes that clearing did not remove
    unready: int = 0  # readiness byte D of PID 01: monitors not run since codes were cleared
    frame: Frame | None = None
    results: Results = field(default_factory=Results)
    ledger: Ledger = field(default_factory=Ledger)

    @property
    def lamp(self) -> bool:
        return bool(self.confirmed) and self.passed_trips < 3

    @property
    def permanent(self) -> tuple[str, ...]:
        lit = self.confirmed if self.lamp else ()
        return lit + tuple(code for code in self.outlived if code not in lit)

    def codes(self, status: CodeStatus) -> tuple[str, ...]:
        """Stored codes of one kind."""
        if status is CodeStatus.PENDING:
            return self.pending
        return self.confirmed if status is CodeStatus.CONFIRMED else self.permanent

    def failed(self, code: str, raw: Mapping[str, int] | None = None) -> Memory:
        """A test failed: pending at first, confirmed when it was pending from a trip before.

        ``raw``: what the sensors say now, kept as freeze frame unless there is one already.
        """
        frame = self.frame or (None if raw is None else Frame(code, dict(raw)))
        if code in self.pending:
            confirmed = _with(self.confirmed, code)
            return replace(self, confirmed=confirmed, passed_trips=0, frame=frame)
        return replace(self, pending=_with(self.pending, code), frame=frame)

    def flow_tested(self, fell_kpa: tuple[float, float] | None) -> Memory:
        """The flow test was carried through."""
        ledger = replace(self.ledger, flow_tests=self.ledger.flow_tests + 1)
        return replace(self, ledger=ledger, results=replace(self.results, fell_kpa=fell_kpa))

    def idle_tested(self, idle_air_part: float | None) -> Memory:
        """The test for gas at idle was carried through."""
        return replace(self, results=replace(self.results, idle_air_part=idle_air_part))

    def end_of_trip(self, outcomes: Iterable[Outcome]) -> Memory:
        """What is left after a trip: a passed test withdraws its pending code."""
        verdicts = dict(zip(CODES, outcomes, strict=True))
        passed = {code for code, outcome in verdicts.items() if outcome is Outcome.PASSED}
        pending = tuple(code for code in self.pending if code not in passed)
        good = bool(self.confirmed) and all(code in passed for code in self.confirmed)
        stays = self.frame is not None and self.frame.code in (*pending, *self.confirmed)
        return replace(
            self,
            pending=pending,
            passed_trips=self.passed_trips + 1 if good else 0,
            outlived=tuple(code for code in self.outlived if code not in passed),
            frame=self.frame if stays else None,
        )

    def cleared(self, unready: int) -> Memory:
        """After a tester cleared the codes; those that were permanent stay so until they pass."""
        return Memory(outlived=self.permanent, unready=unready, ledger=self.ledger.cleared())


def _with(codes: tuple[str, ...], code: str) -> tuple[str, ...]:
    return codes if code in codes else (*codes, code)
