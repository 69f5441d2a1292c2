"""The invented car with an early control unit: a serial stream on a pseudo-terminal.

One wire, so whoever asks hears himself first. The layout is that of the example definition,
written here a second time from the sender's end, so that each checks the other.
"""

from __future__ import annotations

import os
import select
import tempfile
import threading
import tty
from bisect import bisect_left
from collections.abc import Mapping
from pathlib import Path

from sootsayer.clock import LogClock
from sootsayer.demo.at_commands import Car
from sootsayer.protocol.j1979 import scaling_of

REQUEST = bytes((0x5A, 0x22, 0x01, 0x07, 0x7C))
REPLY_HEAD = bytes((0x5A, 0x37, 0x01))
IN_PARK, CLOSED_LOOP = 0x10, 0x02
TAP_KEEPS = 200_000  # requests; a day of them

# What the coolant sensor's divider gives: count and °C, falling as it warms up.
_COOLANT = ((125, 10), (100, 23), (80, 41), (60, 76), (40, 127), (20, 182), (0, 224), (-20, 246),
            (-40, 254))  # fmt: skip
_SENT = ("rpm", "map", "maf", "tp", "ect", "iat", "vss", "sparkadv", "egr_pct", "egr_a_act",
         "vpwr", "shrtft1", "longft1", "baro", "runtm", "aat")  # fmt: skip


def stream_body(raw: Mapping[str, int]) -> bytes:
    """The 22 data bytes for what the control unit knows, raw J1979 integers by channel."""
    value = {name: scaling_of(name).scale * raw[name] + scaling_of(name).offset for name in _SENT}
    lift = value["egr_a_act"]
    flags = (IN_PARK if not raw["n_d_stat"] else 0) | (CLOSED_LOOP if raw["fuelsys1"] == 2 else 0)
    return b"".join(
        (
            _word(value["rpm"] / 0.5),
            _byte((value["map"] - 10.0) * 2.5),
            _word(value["maf"] / 0.02)[::-1],
            _byte(value["tp"] * 2.5),
            _byte(_coolant(value["ect"])),
            _byte((value["iat"] + 40.0) / 0.75),
            _byte(value["vss"]),
            _byte(round(value["sparkadv"] * 2.0) & 0xFF),
            _byte(value["egr_pct"] * 2.0),
            _byte(40.0 + 2.0 * lift),
            bytes((flags,)),
            _byte(value["vpwr"] * 10.0),
            _byte(128.0 + value["shrtft1"] * 5.12),
            _byte(128.0 + value["longft1"] * 5.12),
            _byte(value["baro"] * 2.0),
            _word(value["runtm"]),
            _byte((value["aat"] + 40.0) / 0.75),
            _byte((0.8 + 0.034 * lift) / 0.02),
            bytes((0xFF,)),
        )
    )


def reply(raw: Mapping[str, int]) -> bytes:
    """A whole frame."""
    frame = REPLY_HEAD + stream_body(raw)
    return frame + bytes((-sum(frame) & 0xFF,))


def _byte(count: float) -> bytes:
    return bytes((min(max(round(count), 0), 0xFF),))


def _word(count: float) -> bytes:
    return min(max(round(count), 0), 0xFFFF).to_bytes(2, "big")


def _coolant(celsius: float) -> float:
    """The count at a temperature, straight between the points of the sensor."""
    rising = _COOLANT[::-1]
    place = min(max(bisect_left([c for c, _ in rising], celsius), 1), len(rising) - 1)
    (c0, n0), (c1, n1) = rising[place - 1], rising[place]
    held = min(max(celsius, c0), c1)
    return n0 + (n1 - n0) * (held - c0) / (c1 - c0)


class EmulatedStream:
    """The control unit's wire as a device. With the key off it hears nothing.

    ``tap`` holds (log time, bytes) of everything it was sent, oldest first.
    """

    def __init__(self, car: Car, clock: LogClock) -> None:
        self.tap: list[tuple[int, bytes]] = []
        self._car = car
        self._clock = clock
        self._folder = tempfile.TemporaryDirectory(prefix="sootsayer-stream-")
        self._link = Path(self._folder.name) / "port"
        self._heard = b""

    @property
    def port(self) -> str:
        """Path to open."""
        return str(self._link)

    def start(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self._link.symlink_to(os.ttyname(self._slave))
        self._wake, self._wakes = os.pipe()
        self._thread = threading.Thread(target=self._run, name="emulated-stream", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """The port vanishes, and nothing is left behind."""
        os.write(self._wakes, b"x")
        self._thread.join()
        for descriptor in (self._master, self._slave, self._wake, self._wakes):
            os.close(descriptor)
        self._folder.cleanup()

    def __enter__(self) -> EmulatedStream:
        self.start()
        return self

    def __exit__(self, *reason: object) -> None:
        self.stop()

    # ------------------------------------------------------------ the thread

    def _run(self) -> None:
        while True:
            ready, _, _ = select.select([self._master, self._wake], [], [])
            if self._wake in ready:
                return
            self._hear(os.read(self._master, 256))

    def _hear(self, received: bytes) -> None:
        now_ms = self._clock.now_ms()
        self.tap.append((now_ms, received))
        del self.tap[:-TAP_KEEPS]
        self._say(received)  # one wire
        self._heard = (self._heard + received)[-len(REQUEST) :]
        self._car.advance(now_ms)
        if self._heard == REQUEST and self._car.key_on:
            self._heard = b""
            self._say(reply(self._car.moment().raw))

    def _say(self, spoken: bytes) -> None:
        try:
            os.write(self._master, spoken)
        except BlockingIOError:
            return  # nobody reads: on a wire it would be lost as well
