"""The kernel's ISO-TP sockets, behind a fake: this machine's kernel has none."""

from __future__ import annotations

from collections import Counter
from typing import Any, ClassVar

import pytest

from can_rig import Reply, Run, ScriptedCar, engine, interface, settings
from sootsayer.clock import LogClock
from sootsayer.sources.can_kernel import KernelStack
from sootsayer.sources.can_source import CanSource


class FakeSocket:
    """Has whole replies as a kernel would; puts no frame on any bus."""

    made: ClassVar[list[FakeSocket]] = []

    def __init__(self) -> None:
        self.waiting: list[bytes | OSError] = []
        self.said: dict[str, Any] = {}
        self.closed = False
        FakeSocket.made.append(self)

    def set_opts(self, *, txpad: int) -> None:
        self.said["txpad"] = txpad

    def set_fc_opts(self, *, bs: int, stmin: int) -> None:
        self.said["flow"] = (bs, stmin)

    def bind(self, interface: str, address: Any) -> None:
        self.said["bound"] = (interface, address._rxid, address._txid)

    def settimeout(self, value: float | None) -> None:
        self.said["timeout"] = value

    def recv(self, bufsize: int) -> bytes:
        if not self.waiting:
            raise BlockingIOError
        first = self.waiting.pop(0)
        if isinstance(first, OSError):
            raise first
        return first

    def close(self) -> None:
        self.closed = True


@pytest.fixture(autouse=True)
def fresh() -> None:
    FakeSocket.made = []


def test_a_socket_is_bound_to_one_unit_and_never_waits() -> None:
    KernelStack(FakeSocket, "can0", 0x18DAF110, True, 200, Counter())
    (made,) = FakeSocket.made
    assert made.said == {
        "txpad": 0x55,
        "flow": (0, 0),
        "timeout": 0.0,
        "bound": ("can0", 0x18DAF110, 0x18DA10F1),
    }


def test_whole_replies_and_faults() -> None:
    counters: Counter[str] = Counter()
    stack = KernelStack(FakeSocket, "can0", 0x7E8, False, 200, counters)
    (made,) = FakeSocket.made
    assert stack.take() is None and not stack.busy
    stack.feed(bytes.fromhex("100c412c402d800c"))
    assert stack.busy, "a long reply is under way"
    made.waiting = [bytes(12), OSError(110, "Connection timed out")]
    assert stack.take() == bytes(12) and not stack.busy
    assert stack.take() is None
    assert counters == {"kernel gave a reply up: Connection timed out": 1}
    stack.close()
    assert made.closed


def test_a_socket_that_cannot_be_bound_is_closed_again() -> None:
    class Refusing(FakeSocket):
        def bind(self, interface: str, address: Any) -> None:
            raise OSError(19, "No such device")

    with pytest.raises(OSError):
        KernelStack(Refusing, "can0", 0x7E8, False, 200, Counter())
    assert FakeSocket.made[0].closed


def test_the_source_reads_through_kernel_sockets() -> None:
    """The fake gets what the car says, put together; no flow control of ours is on the bus."""

    def answer(unit: int, request: bytes) -> Reply:
        payload = engine(unit, request)
        if isinstance(payload, bytes) and FakeSocket.made:
            FakeSocket.made[-1].waiting.append(payload)
        return payload if payload is None or len(payload) < 8 else None

    changes = settings(late_s=0.2)
    with ScriptedCar("kernel", answer) as car:
        source = CanSource("kernel", interface("kernel"), LogClock(0), changes, kernel=FakeSocket)
        with Run(source) as run:
            run.wait_readings(6)
    seen = {sample.channel for r in run.readings() for sample in r.samples}
    assert {"rpm", "egr_pct"} <= seen
    assert all(content[0] >> 4 == 0 for _, content in car.heard), "the kernel's, not ours"


def test_without_kernel_sockets_it_falls_back() -> None:
    class Refusing(FakeSocket):
        def bind(self, interface: str, address: Any) -> None:
            raise OSError(19, "No such device")

    changes = settings(late_s=0.2)
    with ScriptedCar("fallback", engine):
        source = CanSource("fallback", interface("fallback"), LogClock(0), changes, kernel=Refusing)
        with Run(source) as run:
            run.wait_readings(3)
            assert run.counters()["kernel gave no socket for a control unit"] == 1
