"""The serial source: an AT-command adapter at a port, for days and unattended.

It finds the adapter, then the car, asks what is wanted at the wanted pace, and stops asking when
the key is off. A port that is missing, a plug that is pulled, an adapter that restarts: all of it
is told as a change of state and tried again with growing pauses. `SerialSource.run` returns only
when it is asked to stop.
"""

from __future__ import annotations

import errno
import threading
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass

from sootsayer.clock import LogClock
from sootsayer.model import (
    Identity,
    SourceEvent,
    SourceState,
    SourceStatus,
)
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.protocol.dialogue import (
    SETTING_WAIT_S,
    Adapter,
    Capabilities,
    Car,
    Command,
    NoCar,
    find_car,
    read_ignition,
    read_voltage,
    set_up,
    try_out,
)
from sootsayer.sources.adapter_settings import SerialSettings, serial_settings
from sootsayer.sources.allow import ReadOnlyPort, Tap
from sootsayer.sources.conversation import (
    AdapterSilentError,
    Conversation,
    SettingsLostError,
    StoppedError,
)
from sootsayer.sources.interview import Interview, voltage_reading
from sootsayer.sources.key_off import KeyWatch, Lines, Pauses, Rest
from sootsayer.units import MS_PER_S, say_count

SOURCE = "adapter"
CLOSE_PROTOCOL = "ATPC"
RESTART_PAUSES_S = (0.0, 0.5, 1.0, 2.0, 5.0, 10.0)  # an adapter that restarts over and over

Emit = Callable[[SourceEvent], None]


@dataclass(frozen=True, slots=True)
class _Known:
    """What was tried on one adapter with one car, so that a replugged one is not tried again."""

    version: str
    car: Car
    capabilities: Capabilities


class SerialSource:
    """``port``: a device or a URL of pyserial. ``tap`` sees every line sent and received.

    ``lines``: added sensors; an ignition line is looked at before every request, a voltage while
    resting where the adapter itself tells none.
    """

    def __init__(
        self,
        port: str,
        clock: LogClock,
        settings: SerialSettings | None = None,
        tap: Tap | None = None,
        lines: Lines | None = None,
    ) -> None:
        self._port = port
        self._clock = clock
        self._settings = settings or serial_settings()
        self._tap = tap
        self._lines = lines or Lines()
        self._emit: Emit = lambda event: None
        self._stop = threading.Event()
        self._status: tuple[SourceState, str] | None = None
        self._decoder = ReplyDecoder()
        self._known: _Known | None = None
        self._rest: Rest | None = None  # set while the key is off, also over a pulled plug
        self._silence = Pauses(self._settings.silent_pauses_s)
        self._resting = Pauses(self._settings.key_off_pauses_s)
        self._blind = Pauses(self._settings.blind_pauses_s)
        self._has_line = False  # the adapter tells what its ignition line says
        self._speed = 0  # index of the speed to try
        self._told: dict[str, str] = {}
        self._told_ms = 0
        self._counters: Counter[str] = Counter()

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Emit events until ``stop`` is set. Troubles of port, adapter and car never raise."""
        self._emit, self._stop = emit, stop
        pauses = Pauses(self._settings.reconnect_pauses_s)
        self._say(SourceState.CONNECTING, f"opening {self._port}")
        while not stop.is_set():
            try:
                self._connected(pauses)
            except StoppedError:
                return
            except OSError as trouble:
                self._say(SourceState.UNPLUGGED, _in_words(self._port, trouble))
            stop.wait(pauses.next_s())

    # ------------------------------------------------------------ adapter

    def _connected(self, pauses: Pauses) -> None:
        """One round over all speeds; stays for as long as an adapter answers at one of them."""
        speeds = self._settings.speeds_baud
        for _ in speeds:
            baud = speeds[self._speed % len(speeds)]
            with closing(_opened(self._port, baud, self._tap)) as port:
                talk = Conversation(port, self._clock, self._stop, self._counters)
                if _speaks(talk):
                    pauses.reset()
                    self._decoder = ReplyDecoder(self._decoder.counters)  # may be another car
                    self._serve(talk)
            self._speed += 1
        tried = ", ".join(map(str, speeds))
        self._say(
            SourceState.CONNECTING,
            f"{self._port} is open but no adapter answers at {tried} baud; is it powered?",
        )

    def _serve(self, talk: Conversation) -> None:
        """Ends only when what answered turns out to be no adapter."""
        restarts = Pauses(RESTART_PAUSES_S)
        while True:
            try:
                adapter = talk.drive(set_up())
                if adapter is None:
                    return
                self._introduce(adapter)
                self._has_line = talk.drive(read_ignition()) is not None
                self._with_adapter(talk, adapter)
            except SettingsLostError:
                self._after_restart()
                if self._stop.wait(restarts.next_s()):
                    raise StoppedError from None

    def _introduce(self, adapter: Adapter) -> None:
        self._identify("adapter", adapter.version or "gives no version")
        self._identify("adapter refuses", " ".join(adapter.refused) or "nothing")
        self._voltage(self._clock.now_ms(), adapter.volts)

    def _after_restart(self) -> None:
        """A restart while resting is the starter pulling the voltage down: the engine starts."""
        if self._rest is not None:
            self._wake_up("adapter restarted, as when the engine is cranked")

    # ------------------------------------------------------------ car

    def _with_adapter(self, talk: Conversation, adapter: Adapter) -> None:
        while True:
            if self._rest is not None:
                self._rest_until_started(talk, self._rest)
            car = talk.drive(find_car())
            watch = KeyWatch(self._settings)
            watch.volts = talk.drive(read_voltage()) or adapter.volts
            watch.ignition_line(self._line(talk))
            if isinstance(car, NoCar):
                self._without_car(talk, watch, car)
            else:
                self._ask_car(talk, adapter, car, watch)

    def _ask_car(self, talk: Conversation, adapter: Adapter, car: Car, watch: KeyWatch) -> None:
        interview = Interview(
            talk, car, self._decoder, watch, self._settings, self._clock, self._emit,
            self._has_line, self._lines.ignition,
        )  # fmt: skip
        interview.introduce()
        interview.use(self._capabilities(talk, adapter, car))
        for pauses in (self._silence, self._resting, self._blind):
            pauses.reset()
        self._say(SourceState.READING, f"{car.kind}, {say_count(len(car.units), 'control unit')}")
        try:
            reason = interview.ask_until_off(self._count_now_and_then)
        finally:
            self._known = _Known(adapter.version, car, interview.works)
        if reason:
            self._lie_down(talk, watch, reason)
        else:
            self._without_car(talk, watch, NoCar.SILENT)

    def _without_car(self, talk: Conversation, watch: KeyWatch, why: NoCar) -> None:
        if why is NoCar.SILENT and not watch.charging:
            self._lie_down(talk, watch, watch.unanswered())
            return
        self._close_protocol(talk)
        self._say(SourceState.SILENT, str(why))
        self._pause(talk, self._silence.next_s())

    def _capabilities(self, talk: Conversation, adapter: Adapter, car: Car) -> Capabilities:
        known = self._known
        if known is not None and (known.version, known.car) == (adapter.version, car):
            return known.capabilities
        unit = self._decoder.engine_unit or car.units[0]
        found = talk.drive(try_out(car, unit, self._decoder.supported(unit)))
        self._known = _Known(adapter.version, car, found)
        suffix = "works" if found.count_suffix else "not used"
        self._identify(
            "adapter can", f"{found.max_pids} parameters a request, count digit {suffix}"
        )
        return found

    # ------------------------------------------------------------ key off

    def _lie_down(self, talk: Conversation, watch: KeyWatch, reason: str) -> None:
        """From here on nothing is sent to the car."""
        self._rest = Rest(self._settings, watch.line_tells)
        self._close_protocol(talk)
        self._say(SourceState.KEY_OFF, reason)

    def _look(self, talk: Conversation, rest: Rest) -> str:
        """One look at what the adapter tells by itself; why the engine must be running, or ""."""
        t_ms = self._clock.now_ms()
        volts = talk.drive(read_voltage())
        self._voltage(t_ms, volts)
        if volts is None:
            volts = self._lines.volts()
        return rest.started(volts, self._line(talk))

    def _line(self, talk: Conversation) -> bool | None:
        """What an added ignition line says, or the adapter's; None where nobody tells."""
        added = self._lines.ignition()
        if added is not None or not self._has_line:
            return added
        return talk.drive(read_ignition())

    def _rest_until_started(self, talk: Conversation, rest: Rest) -> None:
        """Look ever more seldom at what the adapter tells by itself.

        Where it tells neither voltage nor key the car itself must be asked, seldom.
        """
        while self._rest is not None:
            reason = self._look(talk, rest)
            if reason:
                self._wake_up(reason)
            elif rest.sees:
                self._pause(talk, self._resting.next_s())
            else:
                self._pause(talk, self._blind.next_s())
                self._rest = None

    def _wake_up(self, reason: str) -> None:
        self._rest = None
        self._say(SourceState.CONNECTING, reason)

    def _close_protocol(self, talk: Conversation) -> None:
        talk.ask(Command(CLOSE_PROTOCOL, SETTING_WAIT_S))

    def _pause(self, talk: Conversation, pause_s: float) -> None:
        talk.wait_until(self._clock.now_ms() + int(pause_s * MS_PER_S))

    # ------------------------------------------------------------ events

    def _identify(self, key: str, value: str) -> None:
        """Tell a fact about the adapter, once."""
        if self._told.get(key) != value:
            self._told[key] = value
            self._emit(Identity(self._clock.now_ms(), SOURCE, key, value))

    def _voltage(self, t_ms: int, volts: float | None) -> None:
        if volts is not None:
            self._emit(voltage_reading(t_ms, volts))

    def _say(self, state: SourceState, reason: str) -> None:
        """Tell a change of state, once."""
        if self._status != (state, reason):
            self._status = (state, reason)
            self._tell()

    def _tell(self) -> None:
        state, reason = self._status or (SourceState.CONNECTING, "")
        self._told_ms = self._clock.now_ms()
        counters = dict(self._decoder.counters + self._counters)
        self._emit(SourceStatus(self._told_ms, SOURCE, state, reason, counters))

    def _count_now_and_then(self) -> None:
        """Tell the counters once in a while."""
        if self._clock.now_ms() - self._told_ms >= self._settings.counters_s * MS_PER_S:
            self._tell()


def _opened(port: str, baud: int, tap: Tap | None) -> ReadOnlyPort:
    try:
        return ReadOnlyPort(port, baud, tap)
    except ValueError as trouble:  # pyserial's answer to a name that cannot be a port
        raise OSError(errno.EINVAL, str(trouble)) from trouble


def _speaks(talk: Conversation) -> bool:
    """Whether something at this speed comes to a prompt."""
    try:
        return talk.wake()
    except SettingsLostError:  # it has just started and says so
        return True


def _in_words(port: str, trouble: OSError) -> str:
    """One line that names the port, what happened and what to do."""
    if trouble.errno == errno.ENOENT:
        return f"{port} does not exist; plug the adapter in or check the name"
    if trouble.errno in (errno.EACCES, errno.EPERM):
        return f"{port} may not be opened; the user must be in the group that owns it"
    if trouble.errno == errno.EINVAL:
        return f"{port} is no serial port: {trouble.strerror}; check the name"
    if isinstance(trouble, AdapterSilentError):
        return f"{port}: {trouble}; it is being opened again"
    return f"{port} is gone; is the adapter unplugged?"
