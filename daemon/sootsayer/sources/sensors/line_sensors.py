"""Sensors on an input line: a contact's state, a solenoid's duty, a button for the driver."""

from __future__ import annotations

import threading
from abc import abstractmethod
from contextlib import closing

from sootsayer.clock import Deadline, LogClock
from sootsayer.model import Mark, Sample, Scaling, SourceState
from sootsayer.sources.key_off import Pauses
from sootsayer.sources.sensors.edges import MOST_KEPT, NS_PER_MS, Edge, cycles_in
from sootsayer.sources.sensors.lines import InputLine, OpenLine
from sootsayer.sources.sensors.plans import ButtonPlan, ContactPlan, DutyPlan, LinePlan
from sootsayer.sources.sensors.polled import in_words
from sootsayer.sources.sensors.telling import RETRY_PAUSES_S, Emit, Teller
from sootsayer.units import MS_PER_S

STATE = Scaling("state", 1.0, 0.0, "")
TENTH_PCT = Scaling("pct0.1", 0.1, 0.0, "%")
TENTH_MS = Scaling("ms0.1", 0.1, 0.0, "ms")
DRIVER = "driver's button"
WAIT_S = 0.2  # how long an end takes to be noticed
STEADY_S = 1.0  # without an edge for so long a line is on or off; slowest solenoids pulse at 5 Hz
PRESS_PAUSE_S = 1.0  # two presses closer than this are one, pressed by a nervous thumb


class _LineSensor(Teller):
    """Opens the line, again and again when the chip vanishes, and follows it."""

    def __init__(self, plan: LinePlan, open_line: OpenLine, clock: LogClock) -> None:
        super().__init__(plan.name, clock)
        self._line_plan = plan
        self._open_line = open_line

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Until stopped. Raises SootsayerError when the library is missing."""
        self.emit, self.stop = emit, stop
        pauses = Pauses(RETRY_PAUSES_S)
        while not stop.is_set():
            try:
                with closing(self._open_line(self._line_plan)) as line:
                    pauses.reset()
                    self.say(SourceState.READING, f"line {self._line_plan.line} is open")
                    self._follow(line)
            except (OSError, ValueError) as trouble:  # ValueError: a request that was released
                self.counters["lost"] += 1
                self.say(SourceState.UNPLUGGED, in_words(trouble))
            stop.wait(pauses.next_s())

    @abstractmethod
    def _follow(self, line: InputLine) -> None:
        """Returns when stopped; raises OSError when the chip is gone."""


class Contact(_LineSensor):
    """1 while the contact is closed (the line active), told at every change and in its period."""

    def __init__(self, plan: ContactPlan, open_line: OpenLine, clock: LogClock) -> None:
        super().__init__(plan.line, open_line, clock)
        self._channel = plan.channel
        self._period_s = plan.period_s

    def _follow(self, line: InputLine) -> None:
        while not self.stop.is_set():
            self._say_state(self.clock.now_ms(), line.active())
            due = Deadline(self._period_s)
            while not (due.passed() or self.stop.is_set()):
                self._changes(line.wait(min(WAIT_S, due.left_s())))

    def _changes(self, edges: list[Edge]) -> None:
        """Each change at its own moment: the last one is now, the others so much before."""
        now_ms = self.clock.now_ms()
        for edge in edges:
            before_ms = int((edges[-1].t_ns - edge.t_ns) / NS_PER_MS * self.clock.rate)
            self._say_state(now_ms - before_ms, edge.rising)

    def _say_state(self, t_ms: int, closed: bool) -> None:
        self.tell(t_ms, Sample(self._channel, int(closed), STATE))


class SolenoidDuty(_LineSensor):
    """Share of time for which a pulsed solenoid is on, and its period, once a window.

    A line that rests for a second is on or off for good: 100 % or 0 %, without a period.
    """

    def __init__(self, plan: DutyPlan, open_line: OpenLine, clock: LogClock) -> None:
        super().__init__(plan.line, open_line, clock)
        self._plan = plan

    def _follow(self, line: InputLine) -> None:
        edges: list[Edge] = []
        steady = Deadline(STEADY_S)
        while not self.stop.is_set():
            came = self._gather(line)
            if came:
                steady = Deadline(STEADY_S)
                edges = self._measure([*edges, *came])
            elif steady.passed():
                edges = []
                self._say_duty(100.0 if line.active() else 0.0)

    def _gather(self, line: InputLine) -> list[Edge]:
        """All edges of one window."""
        came: list[Edge] = []
        window = Deadline(self._plan.window_s)
        while not (window.passed() or self.stop.is_set()):
            came += line.wait(min(WAIT_S, window.left_s()))
        return came

    def _measure(self, edges: list[Edge]) -> list[Edge]:
        """Tell what whole cycles say; what is left of the edges."""
        if len(edges) > MOST_KEPT:
            self.counters["edges dropped"] += len(edges) - MOST_KEPT
            edges = edges[-MOST_KEPT:]
        found = cycles_in(edges)
        if found.lost:
            self.counters["edges lost"] += found.lost
        if found.duty is not None:
            self._say_duty(found.duty.duty_pct, found.duty.period_ms)
        return list(found.rest)

    def _say_duty(self, duty_pct: float, period_ms: float | None = None) -> None:
        samples = [Sample(self._plan.channel, round(duty_pct / TENTH_PCT.scale), TENTH_PCT)]
        if period_ms is not None:
            count = round(period_ms / TENTH_MS.scale)
            samples.append(Sample(self._plan.period_channel, count, TENTH_MS))
        self.tell(self.clock.now_ms(), *samples)


class Button(_LineSensor):
    """Each press keeps a remark at this moment: "now it knocks", without looking at a phone."""

    def __init__(self, plan: ButtonPlan, open_line: OpenLine, clock: LogClock) -> None:
        super().__init__(plan.line, open_line, clock)
        self._text = plan.text
        self._pressed_ns: int | None = None

    def _follow(self, line: InputLine) -> None:
        while not self.stop.is_set():
            for edge in line.wait(WAIT_S):
                if edge.rising and self._is_new(edge):
                    self.emit(Mark(self.clock.now_ms(), self._text, DRIVER))

    def _is_new(self, edge: Edge) -> bool:
        before_ns, self._pressed_ns = self._pressed_ns, edge.t_ns
        pause_ns = PRESS_PAUSE_S * MS_PER_S * NS_PER_MS
        return before_ns is None or edge.t_ns - before_ns >= pause_ns
