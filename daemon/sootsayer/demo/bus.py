"""The invented control units as nodes of a python-can bus, with their own ISO-TP."""

from __future__ import annotations

import threading

import can

from sootsayer.clock import Deadline, LogClock
from sootsayer.demo.at_commands import Car, Unit
from sootsayer.demo.control_unit import FUNCTIONAL, REPLY_LESS_REQUEST
from sootsayer.demo.framing import frames, single

FLOW_WITHIN_S = 1.0  # N_Bs is 75 ms on a car; a busy test machine may need longer
LOOK_S = 0.002
CLEAR, WAIT = 0x30, 0x31
TALK_MS = 100  # log time between two frames of the control units' own talk
OWN_TALK = 0x1A0  # an address of the car's own; what it says means nothing to anybody here


class BusCar:
    """Answers requests on ``bus`` until stopped. The bus stays its owner's.

    ``talks``: while the key is on the units talk among themselves, as behind no gateway.
    """

    def __init__(self, car: Car, clock: LogClock, bus: can.BusABC, talks: bool = False) -> None:
        self._car = car
        self._clock = clock
        self._bus = bus
        self._talks = talks
        self._talk_ms = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="bus-car", daemon=True)
        self._left: dict[int, tuple[Unit, list[bytes], Deadline]] = {}
        self.tap: list[tuple[int, int, bytes]] = []  # log time, address, request

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join()

    def __enter__(self) -> BusCar:
        self.start()
        return self

    def __exit__(self, *reason: object) -> None:
        self.stop()

    def _run(self) -> None:
        # recv with a timeout would count wall time, which tests freeze and people set.
        while not self._stop.is_set():
            message = self._bus.recv(0)
            if self._talks:
                self._talk()
            if message is None:
                self._stop.wait(LOOK_S)
            elif not message.is_extended_id:
                self._receive(message.arbitration_id, bytes(message.data))

    def _talk(self) -> None:
        now_ms = self._clock.now_ms()
        if now_ms < self._talk_ms:
            return
        self._talk_ms = now_ms + TALK_MS
        self._car.advance(now_ms)
        if self._car.key_on:
            said = (now_ms & 0xFFFFFFFF).to_bytes(8, "big")
            self._bus.send(can.Message(arbitration_id=OWN_TALK, data=said, is_extended_id=False))

    def _receive(self, address: int, content: bytes) -> None:
        if address in self._left and content[:1] and content[0] >> 4 == 3:
            self._flow(address, content)
            return
        request = single(content)
        if request is None:
            return
        now_ms = self._clock.now_ms()
        self._car.advance(now_ms)
        if not self._car.key_on:
            return
        moment = self._car.moment()
        for unit in self._car.units:
            own = unit.address - REPLY_LESS_REQUEST
            if address in (FUNCTIONAL, own):
                self.tap.append((now_ms, address, request))
                payload = unit.answer(request, moment)
                if payload is not None:
                    self._reply(own, unit, frames(payload))

    def _reply(self, own: int, unit: Unit, cut: list[bytes]) -> None:
        self._send(unit, cut[0])
        self._left.pop(own, None)
        if len(cut) > 1:
            self._left[own] = (unit, cut[1:], Deadline(FLOW_WITHIN_S))

    def _flow(self, own: int, content: bytes) -> None:
        """Go on with a long reply as the tester's flow control allows."""
        unit, rest, deadline = self._left[own]
        if content[0] == WAIT and not deadline.passed():
            self._left[own] = (unit, rest, Deadline(FLOW_WITHIN_S))
            return
        if content[0] != CLEAR or deadline.passed():
            del self._left[own]
            return
        block = content[1] if len(content) > 1 and content[1] else len(rest)
        for frame in rest[:block]:
            self._send(unit, frame)
        if rest[block:]:
            self._left[own] = (unit, rest[block:], Deadline(FLOW_WITHIN_S))
        else:
            del self._left[own]

    def _send(self, unit: Unit, frame: bytes) -> None:
        self._bus.send(can.Message(arbitration_id=unit.address, data=frame, is_extended_id=False))
