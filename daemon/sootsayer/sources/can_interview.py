"""Asking a car on CAN: who is there, what it has, then what is wanted, until the key is off."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace

from sootsayer.clock import LogClock
from sootsayer.model import Identity, Reading, SourceEvent
from sootsayer.protocol.announced import next_bitmap
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.protocol.headers import LinkKind
from sootsayer.protocol.pids import SUPPORT_PIDS
from sootsayer.sources.adapter_settings import SerialSettings
from sootsayer.sources.can_answering import Answering
from sootsayer.sources.can_exchange import Answer, CanExchange, Outcome, Question
from sootsayer.sources.can_replies import fits
from sootsayer.sources.can_settings import CanSettings
from sootsayer.sources.can_uds import (
    MOST_IDENTIFIERS,
    failure_types,
    j1979_reply,
    uds_request,
)
from sootsayer.sources.key_off import KeyWatch
from sootsayer.sources.plan import Capability, Plan, Request, clocks_of
from sootsayer.sources.wanted import wanted_channels
from sootsayer.units import MS_PER_S

BITMAP = b"\x01\x00"
ENGINE_SPEED = b"\x01\x0c"
MOST_PIDS = 6
ANNOUNCING = (0x1D, 0x13, 0x4F, 0x50)  # they change how others are read, so they come first
TRIES = 3  # a lost reply is no silence; three in a row are
WAIT_MS = 250  # longest wait without a look at lines and counters
SINGLE_FRAME_BYTES = 7  # a reply of so many fits one frame


@dataclass(frozen=True, slots=True)
class Dialect:
    """How a car is spoken to: address length, and the words of J1979 or of J1979-2."""

    extended: bool
    uds: bool

    @property
    def max_pids(self) -> int:
        return MOST_IDENTIFIERS if self.uds else MOST_PIDS

    @property
    def name_bytes(self) -> int:
        """Of one parameter's number in a reply."""
        return 2 if self.uds else 1

    def __str__(self) -> str:
        kind = LinkKind.CAN_29 if self.extended else LinkKind.CAN_11
        return f"{kind}, J1979-2" if self.uds else str(kind)


# The likeliest first; a car that knows services 01 to 0A is asked with them.
DIALECTS = (
    Dialect(extended=False, uds=False),
    Dialect(extended=True, uds=False),
    Dialect(extended=False, uds=True),
    Dialect(extended=True, uds=True),
)


class CanInterview:
    """One car in one dialect. Events go to ``hear``; ``watch`` follows what tells the key.

    Methods raise BusError and StoppedError.
    """

    def __init__(
        self,
        exchange: CanExchange,
        dialect: Dialect,
        decoder: ReplyDecoder,
        watch: KeyWatch,
        settings: CanSettings,
        car_settings: SerialSettings,
        clock: LogClock,
        hear: Callable[[SourceEvent], None],
        answering: Answering,
    ) -> None:
        self.units: tuple[str, ...] = ()
        self.engine_runs = False
        self._exchange = exchange
        self._dialect = dialect
        self._decoder = decoder
        self.watch = watch
        self._clock = clock
        self._hear = hear
        self._clocks = replace(clocks_of(car_settings), missed_pids=settings.missed_pids)
        self._plan = Plan((), {}, Capability(), self._clocks)
        self._answering = answering
        self._strangers: set[str] = set()
        self._unheard = 0  # requests in a row to which nobody sent a frame

    # ------------------------------------------------------------ what the car has

    def somebody(self, request: bytes = BITMAP, tries: int = 1) -> bool:
        """Whether any control unit answers."""
        return any(self._put(request, None).answers for _ in range(tries))

    def introduce(self) -> None:
        """Read every unit's support bitmaps and what changes the reading of later replies."""
        units = set(self._decoder.units)
        for base in sorted(SUPPORT_PIDS):
            for _ in range(TRIES):
                wanted = {u for u in units if next_bitmap(self._decoder.state(u)) == base}
                if not wanted:
                    break
                self._put(bytes((0x01, base)), wanted)
        self.units = tuple(u for u in self._decoder.units if self._decoder.supported(u))
        supported = self._supported()
        for pid in ANNOUNCING:
            if pid in supported:
                self._put(bytes((0x01, pid)), self._expected(bytes((0x01, pid))))
        capability = Capability(self._dialect.max_pids, is_can=True)
        self._plan = Plan(supported, wanted_channels(supported), capability, self._clocks)
        self._answering.begin(frozenset((u, self._decoder.supported(u)) for u in self.units))

    def _supported(self) -> frozenset[int]:
        return frozenset().union(*(self._decoder.supported(unit) for unit in self.units))

    # ------------------------------------------------------------ asking

    def ask_until_off(self, every: Callable[[], str]) -> str:
        """Ask until the key must be off, and why; "" when nobody answers any more.

        ``every`` is called between requests; words from it end the asking with this reason.
        """
        while True:
            if self.watch.silent:
                return ""
            reason = every() or self.watch.key_off(self._clock.now_ms())
            if reason:
                return reason
            self._step()

    def _step(self) -> None:
        now_ms = self._clock.now_ms()
        left_s = self._exchange.unanswered.left_s()
        if left_s > 0:
            self._aside(now_ms, left_s)
            return
        request = self._plan.next(now_ms)
        if request is None:
            due_ms = min(self._plan.due_ms(now_ms), now_ms + WAIT_MS)
            self._exchange.wait_until(max(due_ms, now_ms + 1))
        else:
            self._ask(request, aside=False)

    def _aside(self, now_ms: int, left_s: float) -> None:
        """While a late answer may still come: ask what it cannot be taken for, or wait.

        Where nobody answers at all the car may be falling asleep, and is left alone.
        """
        room = SINGLE_FRAME_BYTES - 1
        avoid = self._exchange.unanswered.pids
        request = None
        if self._unheard <= 1:
            request = self._plan.aside(now_ms, avoid, room, self._dialect.name_bytes)
        if request is None:
            self._exchange.wait_until(now_ms + max(1, int(left_s * MS_PER_S * self._clock.rate)))
        else:
            self._ask(request, aside=True)

    def _ask(self, request: Request, aside: bool) -> None:
        outcome = self._put(request.payload, self._expected(request.payload), aside)
        self._unheard = 0 if outcome.heard else self._unheard + 1
        self._tell_plan(request, outcome)
        if self._strangers - set(self._decoder.units):
            self._meet()

    def _tell_plan(self, request: Request, outcome: Outcome) -> None:
        if request.pids and outcome.took_ms:
            self.watch.replied(outcome.heard)  # a spoilt answer is a sign of life too
        if outcome.answers:
            replies = [answer.payload for answer in outcome.answers]
            given_up = self._plan.answered(request, outcome.took_ms, replies)
        elif outcome.busy:
            self._plan.busy(request)
            return
        else:
            given_up = self._plan.missed(request)
        if given_up:
            self._decoder.counters["parameter given up"] += len(given_up)

    def _meet(self) -> None:
        """A control unit answers that was not there before: take it in."""
        self._strangers.clear()
        self._put(BITMAP, None)
        self.introduce()

    # ------------------------------------------------------------ who answers what

    def _expected(self, request: bytes) -> Collection[str]:
        """Units that are waited for: those that could answer and have not missed too often."""
        able = set(self.units)
        if request[0] == 0x01:
            pids = set(request[1:])
            able = {unit for unit in able if pids & self._decoder.supported(unit)}
        return {unit for unit in able if self._answering.waited_for(unit, request)}

    def _note_who(self, request: bytes, expected: Collection[str] | None, outcome: Outcome) -> None:
        came = {answer.unit for answer in outcome.answers} | set(outcome.strangers)
        missed = self._answering.note(request, expected or (), came)
        if missed:
            self._decoder.counters["reply missed"] += missed
        self._strangers.update(outcome.strangers)

    def _put(
        self, request: bytes, expected: Collection[str] | None, aside: bool = False
    ) -> Outcome:
        """Ask in the car's dialect and pass on what the answers say."""
        spoken = uds_request(request) if self._dialect.uds else request
        if spoken is None:
            return Outcome((), 0.0, busy=False, heard=False)
        outcome = self._exchange.ask(
            Question(
                spoken,
                expected,
                lambda raw: self._translated(request, raw),
                lambda unit, payload: self._fits(request, unit, payload),
                aside,
                request,
            )
        )
        self._note_who(request, expected, outcome)
        for answer in outcome.answers:
            for event in self._events(answer):
                self._note(event)
                self._hear(event)
        return outcome

    def _translated(self, request: bytes, raw: bytes) -> bytes | None:
        return j1979_reply(request, raw) if self._dialect.uds else raw

    def _fits(self, request: bytes, unit: str, payload: bytes) -> bool:
        state = self._decoder.state(unit)
        return fits(request, payload, state.supported, state.limits)

    def _events(self, answer: Answer) -> list[SourceEvent]:
        events = self._decoder.feed(answer.t_ms, answer.unit, answer.payload)
        events += [
            Identity(answer.t_ms, answer.unit, f"failure type {code}", kind)
            for code, kind in failure_types(answer.raw)
        ]
        return events

    def _note(self, event: SourceEvent) -> None:
        self._plan.heard(event)
        if isinstance(event, Reading):
            for sample in event.samples:
                value = sample.raw * sample.scaling.scale + sample.scaling.offset
                if sample.channel == "rpm":
                    self.watch.engine_speed(event.t_ms, value)
                    self.engine_runs = value > 0
                elif sample.channel == "vpwr":
                    self.watch.volts = value
