"""The other side of a full bus, in a process of its own: ``python can_talker.py PORT``.

Sends 4,000 frames a second less what the answers take, numbered, and answers as the demo car's two
control units do. Ends when its standard input is closed.
"""

from __future__ import annotations

import select
import socket
import struct
import sys
import time

from demo_values import MOMENT
from sootsayer.demo.build import Make
from sootsayer.demo.control_unit import FUNCTIONAL, REPLY_LESS_REQUEST, control_units
from sootsayer.demo.framing import frames, single

FRAME = struct.Struct("=IB3x8s")  # as Linux has it: address, length, eight bytes
FRAMES_PER_S = 4_000
STEP_S = 0.005
FOREIGN = 0x0A0, 0x500  # first address, how many


class Talker:
    def __init__(self, port: int) -> None:
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.connect(("127.0.0.1", port))
        self.sent = self.foreign = 0
        self._units = control_units(Make())
        self._rest: dict[int, tuple[int, list[bytes]]] = {}

    def put(self, address: int, content: bytes) -> None:
        self.socket.send(FRAME.pack(address, len(content), content.ljust(8, b"\0")))
        self.sent += 1

    def chatter(self, frames_due: int) -> None:
        """Foreign frames, numbered, up to so many in all."""
        while self.sent < frames_due:
            number = self.foreign.to_bytes(8, "big")
            self.put(FOREIGN[0] + self.foreign * 7 % FOREIGN[1], number)
            self.foreign += 1

    def answer(self) -> None:
        address, size, content = FRAME.unpack(self.socket.recv(64))
        content = content[:size]
        if address in self._rest and content[0] >> 4 == 3:
            unit, rest = self._rest.pop(address)
            for frame in rest:
                self.put(unit, frame)
            return
        request = single(content)
        for unit in self._units if request is not None else ():
            own = unit.address - REPLY_LESS_REQUEST
            reply = unit.answer(request, MOMENT) if address in (FUNCTIONAL, own) else None
            if reply is not None:
                first, *rest = frames(reply)
                self.put(unit.address, first)
                self._rest[own] = (unit.address, rest)


def main(port: int) -> None:
    talker = Talker(port)
    begun_s = time.monotonic()
    while True:
        ready, _, _ = select.select([talker.socket, sys.stdin], [], [], STEP_S)
        if sys.stdin in ready:
            return
        try:
            if talker.socket in ready:
                talker.answer()
            talker.chatter(int((time.monotonic() - begun_s) * FRAMES_PER_S))
        except ConnectionRefusedError:  # the recorder's side has gone
            return


if __name__ == "__main__":
    main(int(sys.argv[1]))
