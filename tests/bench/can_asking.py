"""The same full bus while the recorder also asks at its whole plan: share of one core, none lost.

The other side, a process of its own, sends 4,000 numbered frames a second and answers as the demo
car's two control units do. On this side the recorder's CAN source asks, decodes and stores; the
processor time of this whole process is what counts.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import can
from can_bus import BUDGET_PCT, LoopbackBus
from can_talker import FOREIGN, FRAME, FRAMES_PER_S

from sootsayer.clock import LogClock, boottime_ms, wall_ms
from sootsayer.model import Reading, SourceEvent
from sootsayer.sources.batching import BatchBuilder
from sootsayer.sources.can_opening import Interface
from sootsayer.sources.can_source import CanSource
from sootsayer.store.archive import Archive

WARM_S, SECONDS = 4.0, 12.0  # before: who is there, words, what nobody answers
TURN_S = 0.5


class AskingBus(LoopbackBus):
    """A bus that also sends: to whoever spoke last."""

    def __init__(self) -> None:
        super().__init__()
        self._peer: tuple[str, int] | None = None

    @property
    def port(self) -> int:
        return int(self.socket.getsockname()[1])

    def answers_to(self, peer: tuple[str, int]) -> None:
        self._peer = peer

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        if self._peer is not None:
            content = bytes(msg.data)
            frame = FRAME.pack(msg.arbitration_id, len(content), content.ljust(8, b"\0"))
            self.socket.sendto(frame, self._peer)


class Counted:
    """Frames as they came through, and numbers that were missing among the foreign ones."""

    def __init__(self) -> None:
        self.frames = self.lost = self.requests = 0
        self._next = 0

    def __call__(self, way: str, address: int, content: bytes) -> None:
        if way == "sent":
            self.requests += 1
            return
        self.frames += 1
        if FOREIGN[0] <= address < FOREIGN[0] + FOREIGN[1]:
            number = int.from_bytes(content, "big")
            self.lost += number - self._next
            self._next = number + 1


def first_peer(bus: AskingBus) -> None:
    """Who the frames come from; the source answers there."""
    _, peer = bus.socket.recvfrom(64, socket.MSG_PEEK)
    bus.answers_to(peer)


class Storing:
    """The recorder's own turn: what came is cut into batches, appended, committed."""

    def __init__(self, archive: Path, clock: LogClock) -> None:
        self._events: list[SourceEvent] = []
        self._lock = threading.Lock()
        self._builder = BatchBuilder()
        self._archive = Archive.open(archive)
        self._archive.begin_boot("bench", boottime_ms(), wall_ms(), True)
        self._clock = clock
        self.samples = self.readings = 0

    def hear(self, event: SourceEvent) -> None:
        with self._lock:
            self._events.append(event)

    def turn(self) -> None:
        with self._lock:
            events, self._events = self._events, []
        for event in events:
            self._builder.add(event)
            if isinstance(event, Reading):
                self.readings += 1
                self.samples += len(event.samples)
        self._archive.append(self._builder.take(self._clock.now_ms() - 200))
        self._archive.commit()

    def close(self) -> None:
        self._archive.close()


def measured(archive: Path) -> tuple[float, Counted, Storing]:
    """Share of one core in per cent; what came; what was stored meanwhile."""
    bus, counted = AskingBus(), Counted()
    talker = subprocess.Popen(
        [sys.executable, str(Path(__file__).with_name("can_talker.py")), str(bus.port)],
        stdin=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )
    clock = LogClock(wall_ms() - boottime_ms())
    storing, stop = Storing(archive, clock), threading.Event()
    try:
        first_peer(bus)
        interface = Interface("loopback", lambda rate, listen_only: bus)
        source = CanSource("loopback", interface, clock, tap=counted)
        thread = threading.Thread(target=source.run, args=(storing.hear, stop), daemon=True)
        thread.start()
        turn_until(time.monotonic() + WARM_S, storing)
        before = storing.samples, storing.readings, counted.frames, counted.requests
        cpu_s, begun_s = time.process_time(), time.monotonic()
        turn_until(begun_s + SECONDS, storing)
        share = 100 * (time.process_time() - cpu_s) / (time.monotonic() - begun_s)
        storing.samples -= before[0]
        storing.readings -= before[1]
        counted.frames -= before[2]
        counted.requests -= before[3]
    finally:
        stop.set()
        assert talker.stdin is not None
        talker.stdin.close()
        talker.wait(10)
    thread.join(10)
    storing.close()
    return share, counted, storing


def turn_until(end_s: float, storing: Storing) -> None:
    wake = threading.Event()
    while (left_s := end_s - time.monotonic()) > 0:
        wake.wait(min(TURN_S, left_s))
        storing.turn()


def run() -> list[str]:
    with tempfile.TemporaryDirectory() as folder:
        share, counted, storing = measured(Path(folder) / "archive.db")
    assert storing.samples > 0
    frame_us = share * 10_000 * SECONDS / counted.frames
    verdict = "within" if share <= BUDGET_PCT else "ABOVE"
    lost = "none lost" if not counted.lost else f"{counted.lost} LOST"
    return [
        f"{counted.frames / SECONDS:.0f} frames/s of {FRAMES_PER_S} for {SECONDS:.0f} s, {lost}; "
        f"{counted.requests / SECONDS:.1f} frames/s sent, "
        f"{storing.samples / SECONDS:.0f} readings/s stored",
        f"asked, read, decoded, stored: {share:.1f} % of one core "
        f"({verdict} {BUDGET_PCT:.0f} %), {frame_us:.0f} µs a frame",
    ]
