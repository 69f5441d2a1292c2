"""Asking a car that answers: what it has, then what is wanted, until the key is off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from sootsayer.clock import LogClock
from sootsayer.model import Reading, Sample, SourceEvent
from sootsayer.protocol.announced import next_bitmap
from sootsayer.protocol.decode import BUSY, NEGATIVE, PENDING, ReplyDecoder
from sootsayer.protocol.dialogue import Capabilities, Car, Command, current, read_voltage
from sootsayer.protocol.exchange import Reply
from sootsayer.protocol.j1979 import pids_in, scaling_of
from sootsayer.protocol.pids import SUPPORT_PIDS
from sootsayer.protocol.remarks import Remark
from sootsayer.sources.adapter_settings import SerialSettings, wanted_ms_by_pid
from sootsayer.sources.conversation import Answer, Conversation
from sootsayer.sources.key_off import KeyWatch
from sootsayer.sources.polling import PollPlan
from sootsayer.units import MS_PER_S

ANNOUNCING = (0x1D, 0x13, 0x4F, 0x50)  # they change how others are read, so they come first
POLLS_BETWEEN = 4  # polls of the fast ones between two questions on a slow clock
OVERRUNS = 3  # replies cut short by the adapter before fewer parameters are asked for at once
ADAPTER_UNIT = "adapter"
VOLTAGE = "adapter_voltage"


def voltage_reading(t_ms: int, volts: float) -> Reading:
    """The adapter's own voltage as a reading."""
    scaling = scaling_of(VOLTAGE)
    sample = Sample(VOLTAGE, round(volts / scaling.scale), scaling)
    return Reading(t_ms, ADAPTER_UNIT, (sample,))


@dataclass(slots=True)
class _Question:
    """Something asked on a slow clock; dropped once it stays without an answer."""

    text: str
    period_ms: int | None  # None: once
    due_ms: int = 0


def _questions(car: Car, settings: SerialSettings) -> list[_Question]:
    codes_ms = int(settings.codes_s * MS_PER_S)
    monitors_ms = int(settings.monitors_s * MS_PER_S)
    questions = [_Question(text, codes_ms) for text in ("07", "03")]
    if car.kind.is_can:
        questions.append(_Question("0A", codes_ms))
    questions += [_Question(text, None) for text in ("0902", "0904", "0906", "090A", "020200")]
    questions += [_Question(text, monitors_ms) for text in ("0908", "090B")]
    if car.kind.is_can:
        questions += [_Question(text, monitors_ms) for text in ("0631", "0632")]
    return questions


def _asked_to_wait(reply: Reply) -> bool:
    """The control unit is busy or not ready yet: neither an answer nor silence."""
    return any(
        message.body[0] == NEGATIVE and message.body[-1] in (BUSY, PENDING)
        for message in reply.messages
    )


class Interview:
    """One car over one conversation, from the first bitmap to key-off.

    Events go to ``hear``; ``watch`` follows what tells the key's position.
    """

    def __init__(
        self,
        talk: Conversation,
        car: Car,
        decoder: ReplyDecoder,
        watch: KeyWatch,
        settings: SerialSettings,
        clock: LogClock,
        hear: Callable[[SourceEvent], None],
    ) -> None:
        self._talk = talk
        self._car = car
        self._decoder = decoder
        self._watch = watch
        self._settings = settings
        self._clock = clock
        self._hear = hear
        self.works = Capabilities()
        self._cut_short = 0
        self._plan = PollPlan({}, 1, settings.missed_pids)
        self._questions = _questions(car, settings)
        self._polls = 0
        self._volts_due_ms = clock.now_ms() + int(settings.volts_s * MS_PER_S)

    # ------------------------------------------------------------ what the car has

    def introduce(self) -> None:
        """Read every unit's support bitmaps, and what changes the reading of later replies."""
        for base in sorted(SUPPORT_PIDS):
            wanted = {next_bitmap(self._decoder.state(unit)) for unit in self._car.units}
            if base in wanted:
                self._ask(current([base]))
        supported = self._supported()
        for pid in ANNOUNCING:
            if pid in supported:
                self._ask(current([pid]))

    def use(self, works: Capabilities) -> None:
        """Make the plan of what to ask for, with what the adapter can do."""
        self.works = works
        wanted_ms = wanted_ms_by_pid(self._supported())
        self._plan = PollPlan(wanted_ms, works.max_pids, self._settings.missed_pids)

    def _supported(self) -> frozenset[int]:
        sets = (self._decoder.supported(unit) for unit in self._car.units)
        return frozenset().union(*sets)

    # ------------------------------------------------------------ asking

    def ask_until_off(self, every: Callable[[], None] = lambda: None) -> str:
        """Ask until the key must be off, and why; "" when the car fell silent while charging.

        ``every`` is called between requests.
        """
        while True:
            now_ms = self._clock.now_ms()
            reason = self._watch.key_off(now_ms)
            if reason or self._watch.silent:
                return reason
            every()
            self._step(now_ms)

    def _step(self, now_ms: int) -> None:
        """One request, or a wait until one is due."""
        question = next((q for q in self._questions if q.due_ms <= now_ms), None)
        pids = self._plan.choose(now_ms)
        if now_ms >= self._volts_due_ms:
            self._look_at_voltage()
        elif question is not None and (self._polls >= POLLS_BETWEEN or not pids):
            self._put(question, now_ms)
        elif pids:
            self._poll(pids)
        else:
            due = (q.due_ms for q in self._questions)
            self._talk.wait_until(min(self._plan.due_ms(now_ms), self._volts_due_ms, *due))

    def _poll(self, pids: tuple[int, ...]) -> None:
        asked_ms = self._clock.now_ms()
        text = current(pids, self.works, len(self._car.units))
        reply = self._ask(text).reply
        self._polls += 1
        self._watch.replied(bool(reply.messages) or Remark.BUFFER_FULL in reply.remarks)
        if not reply.messages:
            self._look_at_voltage()
        if len(pids) > 1 and (Remark.BUFFER_FULL in reply.remarks or not reply.complete):
            self._ask_for_less()
        if _asked_to_wait(reply):
            return
        answered = frozenset(pid for message in reply.messages for pid in pids_in(message.body))
        given_up = self._plan.asked(pids, answered, asked_ms)
        self._decoder.counters["parameter given up"] += len(given_up)

    def _ask_for_less(self) -> None:
        """Replies that overrun the adapter more than once mean that it cannot do so many."""
        self._cut_short += 1
        if self._cut_short >= OVERRUNS:
            self._cut_short = 0
            self._decoder.counters["fewer parameters a request"] += 1
            self.use(replace(self.works, max_pids=self.works.max_pids // 2))

    def _put(self, question: _Question, now_ms: int) -> None:
        self._polls = 0
        reply = self._ask(question.text).reply
        if question.period_ms is None or not reply.messages:
            self._questions.remove(question)
        else:
            question.due_ms = now_ms + question.period_ms

    def _look_at_voltage(self) -> None:
        t_ms = self._clock.now_ms()
        self._volts_due_ms = t_ms + int(self._settings.volts_s * MS_PER_S)
        volts = self._talk.drive(read_voltage())
        if volts is not None:
            self._watch.volts = volts
            self._hear(voltage_reading(t_ms, volts))

    def _ask(self, text: str) -> Answer:
        answer = self._talk.ask(Command(text, kind=self._car.kind))
        for message in answer.reply.messages:
            for event in self._decoder.feed(answer.t_ms, message.unit, message.body):
                self._note(event)
                self._hear(event)
        return answer

    def _note(self, event: SourceEvent) -> None:
        if isinstance(event, Reading):
            for sample in event.samples:
                if sample.channel == "rpm":
                    self._watch.engine_speed(event.t_ms, sample.raw * sample.scaling.scale)
