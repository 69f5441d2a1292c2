"""One ISO-TP receiver for each control unit: frames in, whole replies out.

The work is done by can-isotp in this process, or by the kernel where it can (`can_kernel`). Both
answer a first frame with flow control to that unit's own address, never to the functional one.
"""

from __future__ import annotations

import logging
from collections import Counter, deque
from collections.abc import Callable
from typing import Protocol

import can
import isotp

from sootsayer.sources.can_addresses import request_to
from sootsayer.sources.can_allow import PAD, ReadOnlyBus

MAX_STACKS = 16  # more senders than that is noise, not a car
MIN_LONG_BYTES = 8  # shorter replies fit a single frame
LOGGER = "sootsayer.isotp"

# can-isotp warns of each odd frame; here they are counted.
logging.getLogger(LOGGER).disabled = True


class Stack(Protocol):
    """The receiver of one control unit."""

    @property
    def busy(self) -> bool:
        """A long reply is under way."""

    def feed(self, content: bytes) -> None:
        """One frame of this unit."""

    def take(self) -> bytes | None:
        """The next whole reply."""

    def reset(self) -> None:
        """Forget what is under way or waiting."""

    def close(self) -> None: ...


MakeStack = Callable[[int, bool], Stack | None]  # reply address, 29-bit


class IsoTpStack:
    """A receiver by can-isotp, without a thread of its own."""

    def __init__(
        self,
        bus: ReadOnlyBus,
        address: int,
        extended: bool,
        consecutive_ms: int,
        counters: Counter[str],
    ) -> None:
        self._waiting: deque[isotp.CanMessage] = deque()
        self._counters = counters
        self._address, self._extended = address, extended
        mode = (
            isotp.AddressingMode.Normal_29bits if extended else isotp.AddressingMode.Normal_11bits
        )

        def flow(message: isotp.CanMessage) -> None:
            bus.send(message.arbitration_id, message.is_extended_id, bytes(message.data))

        self._layer = isotp.TransportLayerLogic(
            rxfn=lambda timeout: self._waiting.popleft() if self._waiting else None,
            txfn=flow,
            address=isotp.Address(mode, rxid=address, txid=request_to(address, extended)),
            error_handler=self._count,
            params={
                "blocksize": 0,
                "stmin": 0,
                "tx_padding": PAD,
                "rx_consecutive_frame_timeout": consecutive_ms,
                "logger_name": LOGGER,
            },
        )

    def _count(self, error: Exception) -> None:
        self._counters[_FAULTS.get(type(error).__name__, "odd frame")] += 1

    @property
    def busy(self) -> bool:
        self._layer.process()
        return bool(self._layer.is_rx_active())

    def feed(self, content: bytes) -> None:
        if not _is_plausible(content):
            self._counters["wrong length in a frame"] += 1
            return
        self._waiting.append(
            isotp.CanMessage(arbitration_id=self._address, data=content, extended_id=self._extended)
        )
        self._layer.process()

    def take(self) -> bytes | None:
        payload = self._layer.recv()
        return None if payload is None else bytes(payload)

    def reset(self) -> None:
        self._waiting.clear()
        self._layer.reset()

    def close(self) -> None:
        self.reset()


_FAULTS = {
    "ConsecutiveFrameTimeoutError": "frame too long after the one before",
    "WrongSequenceNumberError": "wrong frame order",
    "UnexpectedConsecutiveFrameError": "frame without a beginning",
    "ReceptionInterruptedWithSingleFrameError": "message interrupted by the next",
    "ReceptionInterruptedWithFirstFrameError": "message interrupted by the next",
}


def _is_plausible(content: bytes) -> bool:
    """A first frame is full and announces what needs more than one; flow control is not for us."""
    kind = content[0] >> 4 if content else 0xF
    if kind == 1:
        return len(content) == 8 and (content[0] & 0xF) << 8 | content[1] >= MIN_LONG_BYTES
    if kind == 2:
        return len(content) > 1
    return kind == 0 and 0 < content[0] < len(content)


class Stacks:
    """The receivers of all control units, made as they are heard."""

    def __init__(self, make: MakeStack, counters: Counter[str]) -> None:
        self._make = make
        self._counters = counters
        self._stacks: dict[int, Stack] = {}

    def feed(self, message: can.Message) -> list[bytes]:
        """One frame of a control unit; the whole replies it completes."""
        address = message.arbitration_id
        stack = self._stacks.get(address) or self._new(address, message.is_extended_id)
        if stack is None:
            self._counters["too many control units"] += 1
            return []
        stack.feed(bytes(message.data))
        return self._taken(stack)

    def _new(self, address: int, extended: bool) -> Stack | None:
        stack = self._make(address, extended) if len(self._stacks) < MAX_STACKS else None
        if stack is not None:
            self._stacks[address] = stack
        return stack

    def _taken(self, stack: Stack) -> list[bytes]:
        taken = []
        while (payload := stack.take()) is not None:
            taken.append(payload)
        return taken

    def finished(self) -> list[tuple[int, bytes]]:
        """Replies that were completed without a frame seen here, by a kernel that was slower."""
        return [
            (address, payload)
            for address, stack in self._stacks.items()
            for payload in self._taken(stack)
        ]

    def busy(self) -> bool:
        """A long reply is under way."""
        return any(stack.busy for stack in self._stacks.values())

    def reset(self) -> None:
        """Forget what is under way: the conversation has moved on."""
        for stack in self._stacks.values():
            stack.reset()

    def close(self) -> None:
        for stack in self._stacks.values():
            stack.close()
        self._stacks.clear()
