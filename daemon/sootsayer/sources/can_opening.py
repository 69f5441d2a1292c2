"""Opening a CAN interface and finding its bit rate by listening first.

A Linux interface has its rate from whoever brought it up (systemd/sootsayer-can@.service does,
by listening); the recorder has no right to change it. Where an interface takes a rate when it is
opened, a wrong one must never be used for sending: it would spoil the car's own traffic. So each
rate is listened to first, and one that shows frames without errors is taken.
"""

from __future__ import annotations

import select
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from typing import Any

import can

from sootsayer.clock import Deadline
from sootsayer.model import SootsayerError
from sootsayer.sources.can_allow import ReadOnlyBus, Tap
from sootsayer.sources.can_health import BusError, condition_of
from sootsayer.sources.can_settings import CanSettings

INTERFACES = ("socketcan", "virtual", "udp_multicast")
WAIT_STEP_S = 0.05  # longest wait before stop is looked at
POLL_S = 0.001  # where nothing can be selected on

OpenBus = Callable[[int | None, bool], can.BusABC]  # bit rate, listen only


@dataclass(frozen=True, slots=True)
class Interface:
    """``open_bus(rate, listen_only)`` opens it; ``takes_rate``: it can be told a bit rate."""

    name: str
    open_bus: OpenBus
    takes_rate: bool = False


def interface_of(kind: str, channel: str) -> Interface:
    """A channel of one of python-can's interfaces. Raises SootsayerError for an unknown kind."""
    if kind not in INTERFACES:
        raise SootsayerError(f"CAN interface {kind!r} is unknown; use {', '.join(INTERFACES)}")

    def open_bus(rate_bit_s: int | None, listen_only: bool) -> can.BusABC:
        words: dict[str, Any] = {"interface": kind, "channel": channel}
        return can.Bus(**words)

    return Interface(f"{channel} ({kind})", open_bus)


def opened(interface: Interface, rate: int | None, tap: Tap | None, *, silent: bool) -> ReadOnlyBus:
    """An open bus. Raises BusError in words that name the interface."""
    try:
        return ReadOnlyBus(interface.open_bus(rate, silent), tap, silent=silent)
    except (can.CanError, OSError, ValueError, ImportError) as refusal:
        number = getattr(refusal, "error_code", None) or getattr(refusal, "errno", None)
        raise BusError(
            condition_of(number, str(refusal)),
            f"{interface.name} cannot be opened: {refusal}; check name, plug and that it is up",
        ) from refusal


def wait_readable(bus: ReadOnlyBus, stop: threading.Event, seconds: float) -> None:
    """Wait until a frame may be there, ``stop`` is set or the time is over, on boot time."""
    number = bus.fileno()
    if number < 0:
        stop.wait(min(seconds, POLL_S))
        return
    deadline = Deadline(seconds)
    while not stop.is_set():
        try:
            if select.select([number], [], [], min(deadline.left_s(), WAIT_STEP_S))[0]:
                return
        except (OSError, ValueError):  # closed or unplugged: reading will say so
            return
        if deadline.passed():
            return


@dataclass(frozen=True, slots=True)
class Rate:
    """``bit_s`` None: as the interface has it. ``proven``: frames were seen at this rate."""

    bit_s: int | None
    proven: bool


def find_rate(
    interface: Interface, settings: CanSettings, stop: threading.Event, tap: Tap | None = None
) -> Rate:
    """The bit rate at which the bus talks, listening only; the first one where it is quiet."""
    if not interface.takes_rate:
        return Rate(None, False)
    quiet: list[int] = []
    for rate in settings.rates_bit_s:
        with closing(opened(interface, rate, tap, silent=True)) as bus:
            frames, errors = _listen(bus, settings, stop)
        if frames >= settings.proof_frames and not errors:
            return Rate(rate, True)
        if not frames and not errors:
            quiet.append(rate)
    return Rate(quiet[0] if quiet else settings.rates_bit_s[0], False)


def _listen(bus: ReadOnlyBus, settings: CanSettings, stop: threading.Event) -> tuple[int, int]:
    """Frames and error frames, until there are enough or the time is over."""
    frames = errors = 0
    deadline = Deadline(settings.listen_s)
    while not deadline.passed() and not stop.is_set():
        message = bus.receive()
        if message is None:
            wait_readable(bus, stop, deadline.left_s())
        elif message.is_error_frame:
            errors += 1
            if errors >= settings.proof_frames:
                break
        else:
            frames += 1
            if frames >= settings.proof_frames:
                break
    return frames, errors
