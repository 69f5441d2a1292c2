"""A source that only listens: a CAN bus whose broadcasts are understood, J1939 or by a DBC file.

Nothing can be sent: the source holds a ``Receiver``, which has no way to. Frames are stamped with
log time as they are taken; waits rest on boot time, never on the wall clock as the bus library's
own do. Any of python-can's interfaces will do. Returns only when it is asked to stop.
"""

from __future__ import annotations

import select
import threading
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import closing
from typing import Protocol

from sootsayer.clock import Deadline, LogClock
from sootsayer.model import SootsayerError, SourceEvent, SourceState, SourceStatus
from sootsayer.sources.key_off import Pauses
from sootsayer.units import MS_PER_S

SOURCE = "broadcasts"
WAIT_STEP_S = 0.05  # longest wait before stop is looked at
POLL_S = 0.002  # where nothing can be selected on: 8 frames of a full bus
TAKEN_AT_ONCE = 1000  # frames between two looks at stop: a quarter of a second of a full bus
QUIET_S = 5.0  # broadcasts come at least every second; so long without one is silence
COUNTERS_S = 60.0
RECONNECT_PAUSES_S = (0.5, 1.0, 2.0, 5.0, 15.0, 30.0)

Emit = Callable[[SourceEvent], None]


class Frame(Protocol):
    """What is used of python-can's messages."""

    arbitration_id: int
    is_extended_id: bool
    is_error_frame: bool
    is_remote_frame: bool
    is_fd: bool

    @property
    def data(self) -> bytes | bytearray: ...


class Bus(Protocol):
    """What is used of python-can's buses: sending is not among it."""

    def recv(self, timeout: float | None = None) -> Frame | None: ...

    def fileno(self) -> int: ...

    def shutdown(self) -> None: ...


class FrameDecoder(Protocol):
    @property
    def counters(self) -> Counter[str]: ...

    def feed(self, t_ms: int, address: int, extended: bool, body: bytes) -> list[SourceEvent]: ...


class Receiver:
    """The receiving half of a bus. The bus itself is not kept where anybody could reach it."""

    __slots__ = ("close", "receive", "wait")

    def __init__(self, bus: Bus) -> None:
        number = _number(bus)

        def receive() -> Frame | None:
            return bus.recv(timeout=0)

        def wait(stop: threading.Event) -> None:
            if number < 0:
                stop.wait(POLL_S)
            else:
                select.select([number], [], [], WAIT_STEP_S)

        def close() -> None:
            bus.shutdown()

        self.receive: Callable[[], Frame | None] = receive
        self.wait: Callable[[threading.Event], None] = wait
        self.close: Callable[[], None] = close


def _number(bus: Bus) -> int:
    """The descriptor to wait on, -1 where the interface has none."""
    try:
        return bus.fileno()
    except NotImplementedError:
        return -1


def bus_opener(interface: str, channel: str) -> Callable[[], Receiver]:
    """Opens a channel of one of python-can's interfaces, for receiving only."""

    def open_receiver() -> Receiver:
        import can

        try:
            return Receiver(can.Bus(channel=channel, interface=interface))
        except (can.CanError, OSError, ValueError, ImportError) as trouble:
            raise SootsayerError(
                f"CAN interface {channel} ({interface}) cannot be opened: {trouble}; "
                "check its name and that it is up"
            ) from trouble

    return open_receiver


class ListenSource:
    """``open_receiver`` opens the bus; ``decoders`` each see every data frame."""

    def __init__(
        self,
        open_receiver: Callable[[], Receiver],
        clock: LogClock,
        decoders: Sequence[FrameDecoder],
        quiet_s: float = QUIET_S,
    ) -> None:
        self._open_receiver = open_receiver
        self._clock = clock
        self._decoders = tuple(decoders)
        self._quiet_ms = int(quiet_s * MS_PER_S)
        self._emit: Emit = lambda event: None
        self._status: tuple[SourceState, str] | None = None
        self._counters: Counter[str] = Counter()
        self._heard_ms = 0
        self._tell_counters = Deadline(COUNTERS_S)

    def run(self, emit: Emit, stop: threading.Event) -> None:
        """Emit events until ``stop`` is set. Troubles of interface and bus never raise."""
        self._emit = emit
        pauses = Pauses(RECONNECT_PAUSES_S)
        self._say(SourceState.CONNECTING, "opening the bus")
        while not stop.is_set():
            try:
                with closing(self._open_receiver()) as receiver:
                    self._listen(receiver, stop, pauses)
            except (OSError, SootsayerError) as trouble:
                self._say(SourceState.UNPLUGGED, str(trouble))
            except Exception as trouble:  # drivers raise errors of their own kinds
                if not type(trouble).__module__.startswith("can"):
                    raise
                self._say(SourceState.UNPLUGGED, f"the bus is gone: {trouble}")
            stop.wait(pauses.next_s())

    def _listen(self, receiver: Receiver, stop: threading.Event, pauses: Pauses) -> None:
        self._heard_ms = self._clock.now_ms()
        while not stop.is_set():
            if self._take(receiver):
                pauses.reset()
            else:
                self._between_frames()
                receiver.wait(stop)

    def _take(self, receiver: Receiver) -> bool:
        """What has arrived; whether there was anything."""
        for taken in range(TAKEN_AT_ONCE):
            frame = receiver.receive()
            if frame is None:
                return taken > 0
            self._frame(frame)
        return True

    def _frame(self, frame: Frame) -> None:
        self._counters["frames"] += 1
        if frame.is_error_frame or frame.is_remote_frame or frame.is_fd:
            self._counters["frames that are no data"] += 1
            return
        t_ms = self._clock.now_ms()
        body = bytes(frame.data)
        for decoder in self._decoders:
            for event in decoder.feed(t_ms, frame.arbitration_id, frame.is_extended_id, body):
                self._heard_ms = t_ms
                self._emit(event)

    def _between_frames(self) -> None:
        now_ms = self._clock.now_ms()
        quiet_ms = now_ms - self._heard_ms
        if self._counters["frames"] and quiet_ms <= self._quiet_ms:
            self._say(SourceState.READING, "listening; nothing is sent")
        elif quiet_ms > self._quiet_ms:
            self._say(SourceState.SILENT, "listening; nothing that is understood is heard")
        if self._tell_counters.passed():
            self._tell_counters = Deadline(COUNTERS_S)
            self._tell()

    def _say(self, state: SourceState, reason: str) -> None:
        """Tell a change of state, once."""
        if self._status != (state, reason):
            self._status = (state, reason)
            self._tell()

    def _tell(self) -> None:
        state, reason = self._status or (SourceState.CONNECTING, "")
        counters = sum((decoder.counters for decoder in self._decoders), Counter(self._counters))
        self._emit(SourceStatus(self._clock.now_ms(), SOURCE, state, reason, dict(counters)))
