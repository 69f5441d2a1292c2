"""A full CAN bus of 500 kbit/s, read, decoded and stored: share of one core against python-can.

4,000 frames a second, three in four of them foreign, the rest another tester's questions and a
car's answers. Every frame comes through python-can's own SocketCAN receiver; only the socket is a
datagram socket on loopback with the same frame layout, because this machine may have no CAN. The
peers receive the same frames the same way and store every frame with python-can's own writers.
"""

from __future__ import annotations

import socket
import struct
import tempfile
import time
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path

import can
from can.interfaces.socketcan import constants
from can.interfaces.socketcan.socketcan import SocketcanBus

from sootsayer.demo.framing import frames
from sootsayer.model import Reading, SourceEvent
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.sources.batching import BatchBuilder
from sootsayer.sources.can_allow import ReadOnlyBus
from sootsayer.sources.can_listening import Listener
from sootsayer.store.archive import Archive

FRAMES_PER_S = 4_000
SECONDS = 20
BURST = 100  # frames put into the socket before they are read: 25 ms of a full bus
BATCH_FRAMES = FRAMES_PER_S // 2
BUDGET_PCT = 25.0
_FRAME = struct.Struct("=IB3x8s")

Numbered = tuple[int, bytes]  # address, eight bytes


def traffic() -> Iterator[Numbered]:
    """For ever: three foreign frames, then one of the talk between a tester and two units."""
    count = 0
    while True:
        count += 1
        rpm, low = 0x1000 + count % 0x1000, count % 251
        fast = bytes((0x41, 0x2C, low, 0x2D, 0x80, 0x0C, rpm >> 8, rpm & 255, 0x0B, low, 0x10,
                      low, low, 0x11, low))  # fmt: skip
        slow = bytes((0x41, 0x0D, low, 0x05, 0x7B))
        talk = [(0x7DF, bytes((7, 1, 0x2C, 0x2D, 0x0C, 0x0B, 0x10, 0x11)))]
        first, *rest = ((0x7E8, frame) for frame in frames(fast))
        talk += [first, (0x7E0, bytes((0x30, 0, 0, 0, 0, 0, 0, 0))), *rest]
        talk += [(0x7DF, bytes((3, 1, 0x0D, 0x05, 0x55, 0x55, 0x55, 0x55)))]
        talk += [(0x7E8 + unit, frames(slow)[0]) for unit in (0, 1)]
        for number, frame in enumerate(talk):
            for foreign in range(3):
                yield 0x0A0 + (count * 7 + number * 3 + foreign) % 0x500, bytes((low,)) * 8
            yield frame


class LoopbackBus(can.BusABC):
    """python-can's SocketCAN receiver on a datagram socket; ``fill`` puts frames in."""

    _recv_internal = SocketcanBus._recv_internal

    def __init__(self) -> None:
        super().__init__(channel="loopback")
        self.channel, self._is_filtered = "loopback", False
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1 << 22)
        self.socket.setsockopt(socket.SOL_SOCKET, constants.SO_TIMESTAMPNS, 1)
        self.socket.bind(("127.0.0.1", 0))
        self._sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._sender.connect(self.socket.getsockname())

    def fill(self, burst: list[Numbered]) -> None:
        for address, content in burst:
            self._sender.send(_FRAME.pack(address, 8, content))

    def fileno(self) -> int:
        return self.socket.fileno()

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        raise AssertionError("nothing is sent here")

    def shutdown(self) -> None:
        super().shutdown()
        self.socket.close()
        self._sender.close()


class Recorder:
    """Everything between the bus and the archive, as the recorder does it."""

    def __init__(self, bus: LoopbackBus, archive: Path) -> None:
        self._bus = ReadOnlyBus(bus, silent=True)
        self._listener = Listener(ReplyDecoder())
        self._builder = BatchBuilder()
        self._archive = Archive.open(archive)
        self._archive.begin_boot("bench", 0, 1_700_000_000_000, True)
        self._events: list[SourceEvent] = []
        self.frames = self.samples = 0

    def take(self) -> None:
        while (message := self._bus.receive()) is not None:
            self.frames += 1
            if message.is_error_frame or message.is_remote_frame or message.is_fd:
                continue
            self._events += self._listener.feed(
                1_700_000_000_000 + self.frames * 1000 // FRAMES_PER_S,
                message.arbitration_id, message.is_extended_id, bytes(message.data),
            )  # fmt: skip
        if self.frames % BATCH_FRAMES == 0:
            self.store()

    def store(self) -> None:
        for event in self._events:
            self._builder.add(event)
            if isinstance(event, Reading):
                self.samples += len(event.samples)
        self._events.clear()
        upto_ms = 1_700_000_000_000 + self.frames * 1000 // FRAMES_PER_S
        self._archive.append(self._builder.take(upto_ms))
        self._archive.commit()

    def close(self) -> None:
        self._archive.close()


class Peer:
    """The same frames into one of python-can's own writers, each frame as it is."""

    def __init__(self, bus: LoopbackBus, writer: can.Listener) -> None:
        self._bus, self.writer, self.frames = bus, writer, 0

    def take(self) -> None:
        while (message := self._bus.recv(0)) is not None:
            self.frames += 1
            self.writer.on_message_received(message)

    def close(self) -> None:
        self.writer.stop()


def share(taker: Recorder | Peer, bus: LoopbackBus) -> float:
    """Share of one core in per cent that taking the frames in would need on a real bus."""
    talk, filling_s = traffic(), 0.0
    begun_s = time.process_time()  # of all threads: one peer writes in a thread of its own
    for _ in range(SECONDS * FRAMES_PER_S // BURST):
        fill_s = time.thread_time()
        bus.fill(list(islice(talk, BURST)))
        filling_s += time.thread_time() - fill_s
        taker.take()
    taker.close()
    return 100.0 * (time.process_time() - begun_s - filling_s) / SECONDS


def measured(make: Callable[[LoopbackBus], Recorder | Peer]) -> tuple[float, Recorder | Peer]:
    bus = LoopbackBus()
    try:
        taker = make(bus)
        return share(taker, bus), taker
    finally:
        bus.shutdown()


def run() -> list[str]:
    with tempfile.TemporaryDirectory() as folder:
        at = Path(folder)
        ours_pct, ours = measured(lambda bus: Recorder(bus, at / "archive.db"))
        csv_pct, csv = measured(lambda bus: Peer(bus, can.CSVWriter(at / "all.csv")))
        sql_pct, sql = measured(lambda bus: Peer(bus, can.SqliteWriter(at / "all.db")))
        bytes_of = {
            name: (at / name).stat().st_size for name in ("archive.db", "all.csv", "all.db")
        }
    sent = SECONDS * FRAMES_PER_S
    assert isinstance(ours, Recorder) and ours.samples > 0
    assert [taker.frames for taker in (ours, csv, sql)] == [sent] * 3, "frames were lost"
    verdict = "within" if ours_pct <= BUDGET_PCT else "ABOVE"
    return [
        f"{FRAMES_PER_S} frames/s for {SECONDS} s of bus time, none lost; "
        f"{ours.samples / SECONDS:.0f} readings/s stored",
        f"read, decoded, stored: {ours_pct:.1f} % of one core ({verdict} {BUDGET_PCT:.0f} %), "
        f"{ours_pct * 10_000 / FRAMES_PER_S:.0f} µs a frame",
        f"python-can CSV writer: {csv_pct:.1f} %, ours is {ours_pct / csv_pct:.2f} of it",
        f"python-can SQLite writer: {sql_pct:.1f} %, ours is {ours_pct / sql_pct:.2f} of it",
        f"bytes: ours {bytes_of['archive.db']}, CSV {bytes_of['all.csv']}, "
        f"SQLite {bytes_of['all.db']}",
    ]
