"""ISO-TP sockets of the Linux kernel (5.10 and later), where the platform has them.

The kernel answers a first frame within microseconds; a loaded small computer in Python may miss
the 75 ms that a control unit waits. Nothing is ever written to these sockets: the only frames
they cause are the kernel's own flow control.
"""

from __future__ import annotations

import socket
from collections import Counter
from collections.abc import Callable
from typing import Protocol, cast

from sootsayer.clock import Deadline
from sootsayer.sources.can_addresses import request_to
from sootsayer.sources.can_allow import PAD
from sootsayer.units import MS_PER_S

LONGEST_BYTES = 4095


class IsoTpSocket(Protocol):
    """What is used of ``isotp.socket``."""

    def set_opts(self, *, txpad: int) -> object: ...

    def set_fc_opts(self, *, bs: int, stmin: int) -> object: ...

    def bind(self, interface: str, address: object) -> None: ...

    def settimeout(self, value: float | None) -> None: ...

    def recv(self, bufsize: int) -> bytes: ...

    def close(self) -> None: ...


MakeSocket = Callable[[], IsoTpSocket]


def kernel_sockets() -> MakeSocket | None:
    """How to make such a socket, None where Python or the kernel has none."""
    if not hasattr(socket, "CAN_ISOTP"):
        return None
    try:
        socket.socket(socket.AF_CAN, socket.SOCK_DGRAM, socket.CAN_ISOTP).close()
    except OSError:
        return None
    import isotp

    return cast(MakeSocket, isotp.socket)


class KernelStack:
    """A receiver by the kernel. Frames seen on the raw socket only tell that one is under way."""

    def __init__(
        self,
        make: MakeSocket,
        channel: str,
        address: int,
        extended: bool,
        consecutive_ms: int,
        counters: Counter[str],
    ) -> None:
        """Raises OSError when the socket cannot be bound."""
        import isotp

        mode = (
            isotp.AddressingMode.Normal_29bits if extended else isotp.AddressingMode.Normal_11bits
        )
        self._socket = make()
        try:
            self._socket.set_opts(txpad=PAD)
            self._socket.set_fc_opts(bs=0, stmin=0)
            self._socket.settimeout(0.0)
            pair = isotp.Address(mode, rxid=address, txid=request_to(address, extended))
            self._socket.bind(channel, pair)
        except OSError:
            self._socket.close()
            raise
        self._wait_s = consecutive_ms / MS_PER_S
        self._under_way: Deadline | None = None
        self._counters = counters

    @property
    def busy(self) -> bool:
        return self._under_way is not None and not self._under_way.passed()

    def feed(self, content: bytes) -> None:
        if content and content[0] >> 4 in (0, 1, 2):
            self._under_way = Deadline(self._wait_s)

    def take(self) -> bytes | None:
        try:
            payload = self._socket.recv(LONGEST_BYTES)
        except BlockingIOError:
            return None
        except OSError as fault:  # a frame late or out of order, told by its own number
            self._counters[f"kernel gave a reply up: {fault.strerror or fault}"] += 1
            self._under_way = None
            return None
        self._under_way = None
        return bytes(payload) or None

    def reset(self) -> None:
        while self.take() is not None:
            pass
        self._under_way = None

    def close(self) -> None:
        self._socket.close()
