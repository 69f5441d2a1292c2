"""Asking a car that answers: what it has, then what is wanted, until the key is off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from sootsayer.clock import LogClock
from sootsayer.model import Reading, Sample, SourceEvent
from sootsayer.protocol.announced import next_bitmap
from sootsayer.protocol.decode import BUSY, NEGATIVE, PENDING, ReplyDecoder
from sootsayer.protocol.dialogue import (
    Capabilities,
    Car,
    Command,
    current,
    read_ignition,
    read_voltage,
)
from sootsayer.protocol.exchange import Reply
from sootsayer.protocol.j1979 import scaling_of
from sootsayer.protocol.pids import SUPPORT_PIDS
from sootsayer.protocol.remarks import Remark
from sootsayer.sources.adapter_settings import SerialSettings
from sootsayer.sources.conversation import Answer, Conversation
from sootsayer.sources.key_off import KeyWatch
from sootsayer.sources.plan import Capability, Plan, Request, clocks_of
from sootsayer.sources.wanted import wanted_channels
from sootsayer.units import MS_PER_S

ANNOUNCING = (0x1D, 0x13, 0x4F, 0x50)  # they change how others are read, so they come first
OVERRUNS = 3  # replies cut short by the adapter before fewer parameters are asked for at once
ADAPTER_UNIT = "adapter"
VOLTAGE = "adapter_voltage"


def voltage_reading(t_ms: int, volts: float) -> Reading:
    """The adapter's own voltage as a reading."""
    scaling = scaling_of(VOLTAGE)
    sample = Sample(VOLTAGE, round(volts / scaling.scale), scaling)
    return Reading(t_ms, ADAPTER_UNIT, (sample,))


def _asked_to_wait(reply: Reply) -> bool:
    """The control unit is busy or not ready yet: neither an answer nor silence."""
    return any(
        message.body[0] == NEGATIVE and message.body[-1] in (BUSY, PENDING)
        for message in reply.messages
    )


class Interview:
    """One car over one conversation, from the first bitmap to key-off.

    Events go to ``hear``; ``watch`` follows what tells the key's position. ``has_line``: the
    adapter tells what its ignition line says; ``added_line``: what a sensor of that line says,
    None where there is none, looked at before every request.
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
        has_line: bool = False,
        added_line: Callable[[], bool | None] = lambda: None,
    ) -> None:
        self._talk = talk
        self._car = car
        self._decoder = decoder
        self._watch = watch
        self._settings = settings
        self._clock = clock
        self._hear = hear
        self._has_line = has_line
        self._added_line = added_line
        self.works = Capabilities()
        self._cut_short = 0
        self._plan = self._planned()
        self._looked_ms = clock.now_ms()

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
        self._plan = self._planned()

    def _planned(self) -> Plan:
        supported = self._supported()
        capability = Capability(self.works.max_pids, self._car.kind.is_can)
        return Plan(supported, wanted_channels(supported), capability, clocks_of(self._settings))

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
            added = self._added_line()
            if added is not None:
                self._watch.ignition_line(added)
            reason = self._watch.key_off(now_ms)
            if reason or self._watch.silent:
                return reason
            every()
            self._step(now_ms)

    def _step(self, now_ms: int) -> None:
        """One request, or a wait until one is due."""
        look_ms = self._looked_ms + int(self._settings.volts_s * MS_PER_S)
        if now_ms >= look_ms:
            self._look_at_key()
            return
        request = self._plan.next(now_ms)
        if request is None:
            self._talk.wait_until(min(self._plan.due_ms(now_ms), look_ms))
        else:
            self._put(request)

    def _put(self, request: Request) -> None:
        asked_ms = self._clock.now_ms()
        pids = request.pids
        text = current(pids, self.works, len(self._car.units)) if pids else request.text
        reply = self._ask(text).reply
        self._settle(request, reply, self._clock.now_ms() - asked_ms)
        if pids:
            self._watch.replied(bool(reply.messages) or Remark.BUFFER_FULL in reply.remarks)
            if not reply.messages:
                self._look_at_key()
        if len(pids) > 1 and (Remark.BUFFER_FULL in reply.remarks or not reply.complete):
            self._ask_for_less()

    def _settle(self, request: Request, reply: Reply, took_ms: int) -> None:
        if request.pids and _asked_to_wait(reply):
            self._plan.busy(request)
            return
        replies = [message.body for message in reply.messages]
        given_up = self._plan.answered(request, took_ms, replies)
        self._decoder.counters["parameter given up"] += len(given_up)

    def _ask_for_less(self) -> None:
        """Replies that overrun the adapter more than once mean that it cannot do so many."""
        self._cut_short += 1
        if self._cut_short >= OVERRUNS:
            self._cut_short = 0
            self._decoder.counters["fewer parameters a request"] += 1
            self.works = replace(self.works, max_pids=max(1, self.works.max_pids // 2))
            self._plan.ask_for_less()

    def _look_at_key(self) -> None:
        """Voltage and ignition line, which the adapter tells without asking the car."""
        t_ms = self._looked_ms = self._clock.now_ms()
        volts = self._talk.drive(read_voltage())
        if volts is not None:
            self._watch.volts = volts
            reading = voltage_reading(t_ms, volts)
            self._plan.heard(reading)
            self._hear(reading)
        if self._has_line and self._added_line() is None:
            self._watch.ignition_line(self._talk.drive(read_ignition()))

    def _ask(self, text: str) -> Answer:
        answer = self._talk.ask(Command(text, kind=self._car.kind))
        for message in answer.reply.messages:
            for event in self._decoder.feed(answer.t_ms, message.unit, message.body):
                self._note(event)
                self._hear(event)
        return answer

    def _note(self, event: SourceEvent) -> None:
        self._plan.heard(event)
        if isinstance(event, Reading):
            for sample in event.samples:
                if sample.channel == "rpm":
                    self._watch.engine_speed(event.t_ms, sample.raw * sample.scaling.scale)
