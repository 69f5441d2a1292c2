"""The CAN source: a CAN interface, for days and unattended.

It opens the interface, finds bit rate and dialect, asks what is wanted, and stops asking when
the key is off; or it listens to another tester and sends nothing at all. An interface that is
missing, bus-off, a full queue, a car that falls silent: all of it is told as a change of state.
`CanSource.run` returns only when it is asked to stop.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from functools import partial

from sootsayer.clock import LogClock
from sootsayer.model import SourceEvent, SourceState, SourceStatus
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.sources.adapter_settings import serial_settings
from sootsayer.sources.can_allow import ReadOnlyBus, Tap
from sootsayer.sources.can_answering import Answering
from sootsayer.sources.can_exchange import CanExchange
from sootsayer.sources.can_health import BusError, Condition
from sootsayer.sources.can_interview import (
    BITMAP,
    DIALECTS,
    ENGINE_SPEED,
    CanInterview,
    Dialect,
)
from sootsayer.sources.can_kernel import KernelStack, MakeSocket, kernel_sockets
from sootsayer.sources.can_line import Line
from sootsayer.sources.can_listening import Listener
from sootsayer.sources.can_opening import (
    Interface,
    Rate,
    find_rate,
    interface_of,
    opened,
    wait_readable,
)
from sootsayer.sources.can_resting import IGNITION_OFF, STEP_S, Resting
from sootsayer.sources.can_settings import CanSettings, can_settings
from sootsayer.sources.can_stacks import IsoTpStack, Stack, Stacks
from sootsayer.sources.conversation import StoppedError
from sootsayer.sources.key_off import KeyWatch, Lines, Pauses
from sootsayer.units import MS_PER_S, say_count

SOURCE = "can"
SILENT_BUS = "no control unit answers and the bus is silent"
QUIET_BUS = "no node acknowledges and nobody talks: the bus sleeps"

Emit = Callable[[SourceEvent], None]


class CanSource:
    """``channel`` and ``interface``: as python-can names them, or an `Interface` made by hand.

    ``tap`` sees every frame sent and received. ``listen_only``: nothing is ever sent.
    ``kernel``: how to make the kernel's ISO-TP sockets, None where there are none.
    Raises SootsayerError for an interface that is none.
    """

    def __init__(
        self,
        channel: str,
        interface: str | Interface,
        clock: LogClock,
        settings: CanSettings | None = None,
        tap: Tap | None = None,
        *,
        listen_only: bool = False,
        lines: Lines | None = None,
        kernel: MakeSocket | None = None,
    ) -> None:
        self._channel = channel
        if isinstance(interface, str):
            kernel = kernel or (kernel_sockets() if interface == "socketcan" else None)
            interface = interface_of(interface, channel)
        self._interface = interface
        self._kernel = kernel
        self._clock = clock
        self._settings = settings or can_settings()
        missed = self._settings.missed_replies
        self._lines = lines or Lines()
        self._car_settings = replace(serial_settings(), missed_replies=missed)
        self._tap = tap
        self._listen_only = listen_only
        self._emit: Emit = lambda event: None
        self._stop = threading.Event()
        self._status: tuple[SourceState, str] | None = None
        self._told_ms = 0
        self._counters: Counter[str] = Counter()
        self._decoder = ReplyDecoder()
        self._rest = Resting(
            self._lines,
            clock,
            self._settings,
            self._car_settings,
            lambda reading: self._emit(reading),
        )
        self._resting: str = ""  # why nothing is asked, "" while the car is asked
        self._dialect: Dialect | None = None
        self._answering = Answering(self._settings.missed_unit)
        self._rate: Rate | None = None
        self._silence = Pauses(self._settings.awake_pauses_s)
        self._faults = Pauses(self._settings.fault_pauses_s)

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Emit events until ``stop`` is set. Troubles of interface, bus and car never raise."""
        self._emit, self._stop = emit, stop
        pauses = Pauses(self._settings.reconnect_pauses_s)
        self._say(SourceState.CONNECTING, f"opening {self._interface.name}")
        while not stop.is_set():
            try:
                with ExitStack() as opened_things:
                    line, bus = self._connect(opened_things)
                    pauses.reset()
                    if self._listen_only:
                        self._listen(line, bus)
                    else:
                        self._converse(line, bus, opened_things)
            except StoppedError:
                return
            except BusError as trouble:
                stop.wait(self._in_trouble(trouble, pauses))

    def _connect(self, things: ExitStack) -> tuple[Line, ReadOnlyBus]:
        if self._rate is None:
            self._rate = find_rate(self._interface, self._settings, self._stop, self._tap)
        rate = self._rate.bit_s
        bus = opened(self._interface, rate, self._tap, silent=self._listen_only)
        things.callback(bus.close)
        return Line(bus, self._clock, self._stop, self._counters), bus

    def _in_trouble(self, trouble: BusError, pauses: Pauses) -> float:
        """Tell what the interface does; seconds to leave it alone."""
        if trouble.condition in (Condition.GONE, Condition.DOWN):
            self._say(SourceState.UNPLUGGED, f"{trouble.condition} ({trouble})")
            return pauses.next_s()
        self._rate = None  # a wrong bit rate looks like this
        self._say(SourceState.SILENT, str(trouble.condition))
        return self._faults.next_s()

    # ------------------------------------------------------------ listening

    def _listen(self, line: Line, bus: ReadOnlyBus) -> None:
        """Nothing is sent here: the bus was opened silent, and refuses."""
        listener = Listener(self._decoder)
        self._say(SourceState.SILENT, "listening; no tester and no answer heard yet")
        quiet_ms = int(self._settings.quiet_s * MS_PER_S)
        heard_ms: int | None = None
        while not self._stop.is_set():
            message = bus.receive()
            now_ms = self._clock.now_ms()
            if message is None:
                self._after_listening(listener, heard_ms, now_ms, quiet_ms)
                wait_readable(bus, self._stop, STEP_S)
                continue
            if message.is_error_frame:
                line.health.error_frame(message.arbitration_id, bytes(message.data))
                continue
            if message.is_remote_frame or message.is_fd:
                continue
            events = listener.feed(
                now_ms, message.arbitration_id, message.is_extended_id, bytes(message.data)
            )
            if events:
                heard_ms = now_ms
                for event in events:
                    self._emit(event)

    def _after_listening(
        self, listener: Listener, heard_ms: int | None, now_ms: int, quiet_ms: int
    ) -> None:
        """Between frames: tell whether somebody is being heard, and now and then the counters."""
        if heard_ms is None:
            return
        units = say_count(len(listener.decoder.units), "control unit")
        if now_ms - heard_ms <= quiet_ms:
            self._say(SourceState.READING, f"listening to another tester, {units}")
        else:
            self._say(SourceState.SILENT, "listening; the other tester asks nothing at present")
        self._count_now_and_then(listener.counters)

    # ------------------------------------------------------------ asking

    def _converse(self, line: Line, bus: ReadOnlyBus, things: ExitStack) -> None:
        stacks = Stacks(self._stack_maker(bus), self._counters)
        things.callback(stacks.close)
        opened_at = self._rate
        while opened_at == self._rate or (self._rate and self._rate.proven):
            if self._stop.is_set():
                raise StoppedError
            try:
                self._next_step(line, stacks)
            except BusError as trouble:
                line.health.refused(trouble)
                if trouble.condition not in (Condition.QUEUE_FULL, Condition.UNHEARD):
                    raise
                self._not_acknowledged(line, trouble)

    def _next_step(self, line: Line, stacks: Stacks) -> None:
        if self._resting:
            runs = partial(self._engine_runs, line, stacks)
            if reason := self._rest.until_started(line, self._stop, runs):
                self._wake_up(line, reason)
            return
        if self._lines.ignition() is False:
            self._lie_down(line, IGNITION_OFF)
            return
        interview = self._find_car(line, stacks)
        if interview is None:
            self._nobody(line)
        else:
            self._ask_car(line, interview)

    def _stack_maker(self, bus: ReadOnlyBus) -> Callable[[int, bool], Stack | None]:
        wait_ms = self._settings.consecutive_ms

        def make(address: int, extended: bool) -> Stack:
            if self._kernel is not None:
                try:
                    return KernelStack(
                        self._kernel, self._channel, address, extended, wait_ms, self._counters
                    )
                except OSError:
                    self._counters["kernel gave no socket for a control unit"] += 1
            return IsoTpStack(bus, address, extended, wait_ms, self._counters)

        return make

    def _interview(
        self, line: Line, stacks: Stacks, dialect: Dialect, decoder: ReplyDecoder
    ) -> CanInterview:
        watch = KeyWatch(self._car_settings)
        watch.volts = self._lines.volts()
        exchange = CanExchange(
            line, stacks, self._clock, self._settings, self._stop, dialect.extended
        )
        return CanInterview(
            exchange, dialect, decoder, watch, self._settings, self._car_settings,
            self._clock, self._emit, self._answering,
        )  # fmt: skip

    def _find_car(self, line: Line, stacks: Stacks) -> CanInterview | None:
        """The car in the dialect that it answers; the one of last time first."""
        decoder = ReplyDecoder(self._decoder.counters)  # may be another car
        order = [self._dialect] if self._dialect is not None else []
        order += [dialect for dialect in DIALECTS if dialect != self._dialect]
        for dialect in order:
            interview = self._interview(line, stacks, dialect, decoder)
            if interview.somebody(BITMAP, tries=2):
                self._dialect, self._decoder = dialect, decoder
                self._rate = Rate(self._rate.bit_s if self._rate else None, proven=True)
                return interview
        return None

    def _nobody(self, line: Line) -> None:
        """Nobody answers in any dialect."""
        if line.foreign_ms is None:
            if self._interface.takes_rate and self._rate is not None and not self._rate.proven:
                self._next_rate()
            self._lie_down(line, SILENT_BUS)
            return
        self._say(SourceState.SILENT, "the bus talks but no control unit answers")
        self._watch_bus(line, self._silence.next_s())

    def _next_rate(self) -> None:
        """A silent bus shows no rate by itself: the next attempt asks at the other one."""
        rates = self._settings.rates_bit_s
        at = rates.index(self._rate.bit_s) if self._rate and self._rate.bit_s in rates else -1
        self._rate = Rate(rates[(at + 1) % len(rates)], proven=False)

    def _ask_car(self, line: Line, interview: CanInterview) -> None:
        interview.introduce()
        self._silence.reset()
        self._faults.reset()
        units = say_count(len(interview.units), "control unit")
        self._say(SourceState.READING, f"{self._dialect}, {units}")

        def every() -> str:
            if interview.engine_runs:
                self._rest.engine_ran()
            self._count_now_and_then(self._decoder.counters)
            return self._key_line(interview.watch)

        reason = interview.ask_until_off(every)
        if not reason and self._rest.is_quiet(line):
            reason = SILENT_BUS
        if reason:
            self._lie_down(line, reason)
        else:
            self._say(SourceState.SILENT, "control units stopped answering, the bus still talks")
            self._watch_bus(line, self._silence.next_s())

    def _key_line(self, watch: KeyWatch) -> str:
        """Why the key is off, as far as lines beside the bus tell."""
        volts = self._lines.volts()
        if volts is not None:
            watch.volts = volts
        return IGNITION_OFF if self._lines.ignition() is False else ""

    # ------------------------------------------------------------ key off

    def _not_acknowledged(self, line: Line, trouble: BusError) -> None:
        """Frames that nobody acknowledges: a sleeping bus, or no bus at all."""
        if self._rest.is_quiet(line):
            self._lie_down(line, f"{QUIET_BUS} ({trouble.condition.name.lower()})")
            return
        self._say(SourceState.SILENT, str(trouble.condition))
        self._watch_bus(line, self._faults.next_s())
        line.health.over()

    def _lie_down(self, line: Line, reason: str) -> None:
        """From here on nothing is sent."""
        self._resting = reason
        self._rest.lie_down(line)
        self._say(SourceState.KEY_OFF, reason)

    def _engine_runs(self, line: Line, stacks: Stacks) -> bool:
        """One request: does the engine turn? Where units answer but tell no speed, they count."""
        line.health.over()
        dialects = [self._dialect] if self._dialect is not None else list(DIALECTS)
        for dialect in dialects:
            interview = self._interview(line, stacks, dialect, ReplyDecoder(Counter()))
            request = ENGINE_SPEED if self._decoder.engine_unit is not None else BITMAP
            if interview.somebody(request):
                return request == BITMAP or interview.engine_runs
        return False

    def _wake_up(self, line: Line, reason: str) -> None:
        self._resting = ""
        line.health.over()
        self._say(SourceState.CONNECTING, reason)

    def _watch_bus(self, line: Line, seconds: float) -> None:
        """Leave a car that does not answer alone for a while."""
        if self._rest.watch(line, self._stop, seconds):
            self._lie_down(line, SILENT_BUS)

    # ------------------------------------------------------------ events

    def _say(self, state: SourceState, reason: str) -> None:
        """Tell a change of state, once."""
        if self._status != (state, reason):
            self._status = (state, reason)
            self._tell(self._decoder.counters)

    def _tell(self, decoded: Counter[str]) -> None:
        state, reason = self._status or (SourceState.CONNECTING, "")
        self._told_ms = self._clock.now_ms()
        counters = dict(decoded + self._counters)
        self._emit(SourceStatus(self._told_ms, SOURCE, state, reason, counters))

    def _count_now_and_then(self, decoded: Counter[str]) -> None:
        if self._clock.now_ms() - self._told_ms >= self._settings.counters_s * MS_PER_S:
            self._tell(decoded)
