"""An AT-command adapter on a pseudo-terminal, plugged into the invented car.

Whoever opens ``port`` talks to it as to a real one. The car's time is the clock's: at every
request the car is driven up to ``clock.now_ms()``.
"""

from __future__ import annotations

import os
import select
import tempfile
import threading
import tty
from pathlib import Path

from sootsayer.clock import Deadline, LogClock
from sootsayer.demo.at_commands import AtCommands, Car

LATENCY_S = 0.03  # what a fast car and adapter need for one request
RESET_S = 0.7  # an adapter takes about so long to come back from a reset
LOOK_S = 0.2  # how often the supply is looked at
MOST_WAITING_BYTES = 512
TAP_KEEPS = 200_000  # requests; a day of them


class EmulatedAdapter:
    """The adapter as a device that can be plugged and unplugged.

    ``tap`` holds (log time, line) of everything it was sent, oldest first. ``latency_s`` is real
    time per request. With ``resets_when_cranking`` its supply breaks down while the starter turns.
    """

    def __init__(
        self,
        car: Car,
        clock: LogClock,
        latency_s: float = LATENCY_S,
        reset_s: float = RESET_S,
        resets_when_cranking: bool = False,
    ) -> None:
        self.tap: list[tuple[int, str]] = []
        self._car = car
        self._clock = clock
        self._latency_s = latency_s
        self._reset_s = reset_s
        self._resets_when_cranking = resets_when_cranking
        self._folder = tempfile.TemporaryDirectory(prefix="sootsayer-adapter-")
        self._link = Path(self._folder.name) / "port"
        self._plug: _Plug | None = None

    @property
    def port(self) -> str:
        """Path to open; the same after every replug."""
        return str(self._link)

    def start(self) -> None:
        self.replug()

    def replug(self) -> None:
        """Plug in: the port appears and the adapter begins with its defaults."""
        if self._plug is None:
            self._plug = _Plug(self)
            self._link.symlink_to(self._plug.path)

    def unplug(self) -> None:
        """Pull out: the port vanishes and whoever has it open gets an error."""
        if self._plug is not None:
            self._link.unlink()
            self._plug.pull()
            self._plug = None

    def stop(self) -> None:
        """Unplug for good and leave nothing behind."""
        self.unplug()
        self._folder.cleanup()

    def __enter__(self) -> EmulatedAdapter:
        self.start()
        return self

    def __exit__(self, *reason: object) -> None:
        self.stop()


class _Plug:
    """One stay in the socket: a pseudo-terminal and the thread that answers on it."""

    def __init__(self, adapter: EmulatedAdapter) -> None:
        self._of = adapter
        self._commands = AtCommands(adapter._car)
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.path = os.ttyname(self._slave)
        self._wake, self._wakes = os.pipe()
        self._line = b""
        self._brown_out = False
        self._thread = threading.Thread(target=self._run, name="emulated-adapter", daemon=True)
        self._thread.start()

    def pull(self) -> None:
        os.write(self._wakes, b"x")
        self._thread.join()
        for descriptor in (self._master, self._slave, self._wake, self._wakes):
            os.close(descriptor)

    # ------------------------------------------------------------ the thread

    def _run(self) -> None:
        while True:
            watched = LOOK_S if self._of._resets_when_cranking else None
            ready, _, _ = select.select([self._master, self._wake], [], [], watched)
            if self._wake in ready:
                return
            if self._of._resets_when_cranking and self._supply_broke():
                continue
            if self._master in ready and not self._take(os.read(self._master, 256)):
                return

    def _take(self, received: bytes) -> bool:
        """Handle bytes from the host; False when pulled out meanwhile."""
        for place, byte in enumerate(received):
            if byte == 0x0D:
                line, self._line = self._line, b""
                rest = received[place + 1 :]
                if not self._handle(line.decode("ascii", "replace"), interrupted=bool(rest)):
                    return False
                if rest:  # sent while busy: it stopped the command and is lost
                    return True
            elif byte not in (0x00, 0x0A) and len(self._line) < MOST_WAITING_BYTES:
                self._line += bytes((byte,))
        return True

    def _handle(self, line: str, interrupted: bool) -> bool:
        now_ms = self._of._clock.now_ms()
        self._of.tap.append((now_ms, line))
        del self._of.tap[:-TAP_KEEPS]
        self._of._car.advance(now_ms)
        if self._commands.settings.echo:
            self._say(line + "\r")
        lines, to_car = self._commands.answer(line)
        resets = not to_car and self._commands.last in ("ATZ", "ATWS")
        stopped = interrupted and to_car
        if not stopped:
            outcome = self._busy(self._of._reset_s if resets else self._of._latency_s * to_car)
            if outcome == "pulled":
                return False
            stopped = outcome == "interrupted"
        self._print(["STOPPED"] if stopped else lines)
        return True

    def _busy(self, seconds: float) -> str:
        """Work for so long. A byte from the host interrupts it and is swallowed."""
        deadline = Deadline(seconds)
        while seconds > 0.0 and not deadline.passed():
            ready, _, _ = select.select([self._master, self._wake], [], [], deadline.left_s())
            if self._wake in ready:
                os.write(self._wakes, b"x")  # the main loop shall see it too
                return "pulled"
            if ready:
                os.read(self._master, MOST_WAITING_BYTES)
                return "interrupted"
        return "done"

    def _supply_broke(self) -> bool:
        """Whether the starter has just pulled the supply down, which resets the adapter."""
        car = self._of._car
        car.advance(self._of._clock.now_ms())
        before, self._brown_out = self._brown_out, car.cranking
        if not self._brown_out or before:
            return False
        self._commands.reset()
        self._line = b""
        self._print(["", "LV RESET", ""])
        return True

    def _print(self, lines: list[str]) -> None:
        end = "\r\n" if self._commands.settings.linefeeds else "\r"
        self._say(end.join([*lines, "", ">"]))

    def _say(self, text: str) -> None:
        try:
            os.write(self._master, text.encode("ascii"))
        except BlockingIOError:
            return  # nobody reads: a real adapter's bytes would be lost as well
