"""One request and every control unit's whole reply to it, on deadlines of boot time.

Only one request is out at a time, and while a control unit that should answer has not, nothing
that its late answer could be taken for is asked until that cannot come any more. So an answer
can never be taken for one to a later question, whatever is lost or late.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace

import can

from sootsayer.clock import Deadline, LogClock
from sootsayer.protocol.decode import BUSY, NEGATIVE, PENDING
from sootsayer.sources.can_addresses import unit_name
from sootsayer.sources.can_health import BusError
from sootsayer.sources.can_line import Line
from sootsayer.sources.can_patience import Missed, Patience, Unanswered
from sootsayer.sources.can_settings import CanSettings
from sootsayer.sources.can_stacks import Stacks
from sootsayer.sources.conversation import StoppedError
from sootsayer.units import MS_PER_S

WAIT_STEP_S = 0.05
LONGEST_REPLY_S = 10.0  # 4095 bytes in frames; a sender that never ends is given up

Translate = Callable[[bytes], bytes | None]  # a reply as it came → as J1979 has it
Fits = Callable[[str, bytes], bool]  # unit, reply as J1979 has it


@dataclass(frozen=True, slots=True)
class Question:
    """``expected``: units that answer this request; None while that is unknown.

    ``aside``: may be asked while late answers to others can still come, see `Unanswered`.
    ``plain``: the request in the words of J1979, where ``request`` has others.
    """

    request: bytes
    expected: Collection[str] | None
    translate: Translate
    fits: Fits
    aside: bool = False
    plain: bytes = b""

    @property
    def awaits_nobody(self) -> bool:
        return self.expected is not None and not self.expected


@dataclass(frozen=True, slots=True)
class Answer:
    """A control unit's reply, stamped halfway between the question and its first frame."""

    t_ms: int
    unit: str
    payload: bytes
    raw: bytes


@dataclass(frozen=True, slots=True)
class Outcome:
    answers: tuple[Answer, ...]
    took_ms: float
    busy: bool  # a control unit asked to wait and never got ready
    heard: bool  # a control unit sent something, whole or not
    strangers: tuple[str, ...] = ()  # units that answered and were not waited for


@dataclass(slots=True)
class _Turn:
    """One request under way."""

    question: Question
    sent_ms: int
    patience: Deadline
    limit: Deadline
    heard: bool = False
    first_ms: dict[str, int] = field(default_factory=dict)
    asked_ms: dict[str, int] = field(default_factory=dict)  # later than sent after "pending"
    answers: dict[str, Answer] = field(default_factory=dict)
    refused_busy: dict[str, int] = field(default_factory=dict)  # unit → reply address
    pendings: dict[str, tuple[int, Deadline]] = field(default_factory=dict)
    refused: set[str] = field(default_factory=set)
    strangers: set[str] = field(default_factory=set)

    @property
    def complete(self) -> bool:
        """All that are waited for have said something final."""
        expected = self.question.expected
        return bool(expected) and all(self.settled(unit) for unit in expected or ())

    def settled(self, unit: str) -> bool:
        return unit in self.answers or unit in self.refused or unit in self.refused_busy

    @property
    def silent(self) -> frozenset[str]:
        """Those that are waited for and have said nothing at all."""
        expected = self.question.expected or ()
        return frozenset(u for u in expected if not self.settled(u) and u not in self.asked_ms)


class CanExchange:
    """``extended``: the car's addresses have 29 bits. Methods raise BusError and StoppedError."""

    def __init__(
        self,
        line: Line,
        stacks: Stacks,
        clock: LogClock,
        settings: CanSettings,
        stop: threading.Event,
        extended: bool,
    ) -> None:
        self.extended = extended
        self._line = line
        self._stacks = stacks
        self._clock = clock
        self._settings = settings
        self._stop = stop
        self._patience = Patience(settings.reply_s, settings.late_s)
        self.unanswered = Unanswered()

    def ask(self, question: Question) -> Outcome:
        """Every control unit's reply; who is busy is asked again, alone."""
        turn = self._ask_once(question, None)
        tries = 0
        while turn.refused_busy and tries < self._settings.most_busy:
            tries += 1
            self._pause(self._settings.busy_pause_s)
            for unit, address in list(turn.refused_busy.items()):
                again = self._ask_once(replace(question, expected={unit}), address)
                if unit not in again.refused_busy:
                    del turn.refused_busy[unit]
                turn.answers.update(again.answers)
        took_ms = float(self._clock.now_ms() - turn.sent_ms)
        answers = sorted(turn.answers.values(), key=lambda answer: answer.t_ms)
        return Outcome(
            tuple(answers),
            took_ms,
            bool(turn.refused_busy),
            turn.heard,
            tuple(sorted(turn.strangers)),
        )

    def _ask_once(self, question: Question, to_reply: int | None) -> _Turn:
        if not question.aside:
            self._pause(self.unanswered.left_s())
        self._drain()
        self._check()
        turn = _Turn(
            question,
            self._clock.now_ms(),
            Deadline(self._patience_s(question)),
            Deadline(LONGEST_REPLY_S + self._settings.pending_s * self._settings.most_pendings),
        )
        self._line.ask(question.request, self.extended, to_reply)
        self._hear_out(turn)
        self._stacks.reset()
        self._learn(turn)
        if turn.answers or turn.refused:
            self._line.health.heard()
        return turn

    def _learn(self, turn: _Turn) -> None:
        """How fast units are, and what may still be answered late."""
        for unit in turn.answers.keys() - turn.asked_ms.keys():
            took_ms = turn.first_ms.get(unit, turn.sent_ms) - turn.sent_ms
            self._patience.took(unit, took_ms / MS_PER_S / self._clock.rate)
        left_s = self._settings.late_s - self._patience_s(turn.question)
        if turn.silent and left_s > 0:
            plain = turn.question.plain or turn.question.request
            self.unanswered.add(Missed(plain, turn.silent, turn.question.fits, Deadline(left_s)))

    def _hear_out(self, turn: _Turn) -> None:
        while True:
            message = self._line.next()
            if message is not None:
                self._hear(turn, message)
                if turn.complete:
                    return
                continue
            for address, payload in self._stacks.finished():
                self._take(turn, address, payload)
            if self._done(turn):  # only when all that arrived is read
                return
            self._check()
            self._line.wait(min(WAIT_STEP_S, max(0.001, turn.patience.left_s())))

    def _patience_s(self, question: Question) -> float:
        """Where nobody is waited for, whoever answers all the same does so within P2."""
        if question.awaits_nobody:
            return self._settings.reply_s
        return self._patience.wait_s(question.expected or ())

    def _done(self, turn: _Turn) -> bool:
        if turn.limit.passed() or turn.complete:
            return True
        if any(not deadline.passed() for _, deadline in turn.pendings.values()):
            return False
        return turn.patience.passed() and not self._stacks.busy()

    # ------------------------------------------------------------ what comes

    def _hear(self, turn: _Turn, message: can.Message) -> None:
        address = message.arbitration_id
        if message.is_extended_id != self.extended:
            self._line.counters["reply of another kind of address"] += 1
            return
        turn.heard = True
        if message.data[:1] and message.data[0] >> 4 in (0, 1):
            turn.first_ms[unit_name(address, self.extended)] = self._clock.now_ms()
        for payload in self._stacks.feed(message):
            self._take(turn, address, payload)

    def _take(self, turn: _Turn, address: int, raw: bytes) -> None:
        unit = unit_name(address, self.extended)
        expected = turn.question.expected
        payload = turn.question.translate(raw)
        if payload is None or not turn.question.fits(unit, payload):
            self._does_not_fit(unit, payload)
        elif turn.settled(unit):
            self._line.counters["doubled reply"] += 1
        elif payload[0] == NEGATIVE:
            self._refused(turn, unit, address, payload[2])
        elif expected is not None and unit not in expected:
            self._line.counters["reply nobody waited for"] += 1
            turn.strangers.add(unit)
        else:
            asked_ms = turn.asked_ms.get(unit, turn.sent_ms)
            first_ms = turn.first_ms.get(unit, self._clock.now_ms())
            turn.pendings.pop(unit, None)
            turn.answers[unit] = Answer((asked_ms + first_ms) // 2, unit, payload, raw)

    def _does_not_fit(self, unit: str, payload: bytes | None) -> None:
        if payload is not None and self.unanswered.is_late(unit, payload):
            self._line.counters["reply too late"] += 1
            self._patience.late(unit)
        else:
            self._line.counters["reply that does not fit the request"] += 1

    def _refused(self, turn: _Turn, unit: str, address: int, reason: int) -> None:
        if reason == PENDING:
            self._line.counters["refused: answer pending"] += 1
            times = turn.pendings.get(unit, (0, turn.patience))[0] + 1
            turn.asked_ms[unit] = self._clock.now_ms()
            if times <= self._settings.most_pendings:
                turn.pendings[unit] = (times, Deadline(self._settings.pending_s))
                return
        turn.pendings.pop(unit, None)
        if reason == BUSY:
            self._line.counters["refused: busy"] += 1
            turn.refused_busy[unit] = address
        else:
            self._line.counters["refused"] += reason != PENDING
            turn.refused.add(unit)

    # ------------------------------------------------------------ between requests

    def _drain(self) -> None:
        """What arrives before a request is no answer to it."""
        while (message := self._line.next()) is not None:
            self._line.counters["frame nobody waited for"] += 1
            unit = unit_name(message.arbitration_id, message.is_extended_id)
            if self.unanswered.awaits(unit):
                self._patience.late(unit)
        self._stacks.reset()

    def _check(self) -> None:
        if self._stop.is_set():
            raise StoppedError
        trouble = self._line.trouble
        if trouble is not None:
            raise BusError(trouble, str(trouble))

    def _pause(self, seconds: float) -> None:
        deadline = Deadline(seconds)
        while not deadline.passed():
            self._drain()
            self._check()
            self._line.wait(min(WAIT_STEP_S, deadline.left_s()))

    def wait_until(self, t_ms: int) -> None:
        """Wait for a log time, taking note of what the bus says meanwhile."""
        while (left_ms := t_ms - self._clock.now_ms()) > 0:
            self._drain()
            self._check()
            self._line.wait(min(left_ms / MS_PER_S / self._clock.rate, WAIT_STEP_S))
