"""One trip's talk on the CAN bus as the text of a candump log."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence

import numpy as np

from sootsayer.demo.build import Make
from sootsayer.demo.control_unit import FUNCTIONAL, REPLY_LESS_REQUEST, Moment, control_units
from sootsayer.demo.encoding import supported_pids
from sootsayer.demo.framing import CLEAR_TO_SEND, frames
from sootsayer.demo.journeys import KEPT_MS, Driven, Stored, moments

CODES_EVERY_MS = 300_000
# Codes, the frozen moment of the first one, the recirculation monitor's results, in-use counters.
NOW_AND_THEN = (
    b"\x03", b"\x07", b"\x0a", b"\x02\x02\x00", b"\x02\x0c\x00\x0b\x00\x2c\x00", b"\x06\x31",
    b"\x09\x08",
)  # fmt: skip

# Requests in turn: which PIDs share one (so share one stamp) and how often each is sent.
REQUESTS: tuple[tuple[tuple[int, ...], float], ...] = (
    ((0x2C, 0x2D, 0x0C, 0x0B, 0x10, 0x11), 0.2),
    ((0x0D, 0x0E, 0x06, 0x04), 0.6),
    ((0x07, 0x05, 0x0F, 0x03, 0x65), 1.0),
    ((0x69,), 0.2),
    ((0x49,), 0.6),
    ((0x6B,), 1.0),
    ((0x45, 0x4C, 0x42, 0x1F), 2.0),
    ((0x33, 0x46, 0x01, 0x41, 0x1C, 0x51), 20.0),
    ((0x21, 0x2F, 0x30, 0x31, 0x4D, 0x4E), 20.0),
)


def requests_to(make: Make) -> list[tuple[tuple[int, ...], float]]:
    """Those of ``REQUESTS`` that this car can answer."""
    known = supported_pids(make)
    kept = ((tuple(pid for pid in pids if pid in known), every_s) for pids, every_s in REQUESTS)
    return [(pids, every_s) for pids, every_s in kept if pids]


class Wire:
    """One trip's talk on the bus, as text."""

    def __init__(
        self, trip: Driven, stored: Sequence[Stored], poll_s: float, foreign: bool
    ) -> None:
        self._trip = trip
        self._stored = stored
        self._times = [step.t_ms for step in stored]
        self._poll_s = poll_s
        self._foreign = foreign
        self._units = control_units(trip.make)
        self._draw = np.random.default_rng(trip.start_ms % 2**32)
        self._us = 0

    def lines(self) -> Iterator[str]:
        raws = list(moments(self._trip, self._stored))
        asked = requests_to(self._trip.make)
        due = [0.0] * len(asked)
        codes_ms = 0.0
        end_ms = self._trip.key_off_ms - 200
        now_ms = float(self._trip.start_ms + 200)
        yield from self._opening(now_ms, raws)
        now_ms += 300.0
        while now_ms < end_ms:
            self._us = max(self._us, int(now_ms * 1000))
            if self._foreign:
                yield from self._others()
            for turn, (pids, every_s) in enumerate(asked):
                if now_ms >= due[turn]:
                    due[turn] = now_ms + max(every_s, self._poll_s) * 1000.0 - 1.0
                    yield from self._ask(bytes((0x01, *pids)), raws)
            if now_ms >= codes_ms:
                codes_ms = now_ms + CODES_EVERY_MS
                for request in NOW_AND_THEN:
                    yield from self._ask(request, raws)
            now_ms += self._poll_s * 1000.0

    def _opening(self, now_ms: float, raws: Sequence[dict[str, int]]) -> Iterator[str]:
        self._us = int(now_ms * 1000)
        for request in (
            b"\x01\x00",
            b"\x01\x20",
            b"\x01\x40",
            b"\x01\x60",
            b"\x09\x02",
            b"\x09\x04",
        ):
            yield from self._ask(request, raws)

    def _ask(self, request: bytes, raws: Sequence[dict[str, int]]) -> Iterator[str]:
        yield self._line(FUNCTIONAL, frames(request)[0])
        wait_us = int(self._draw.integers(2500, 9000))
        self._us += wait_us
        at = min((self._us // 1000 - self._trip.start_ms) // KEPT_MS, len(raws) - 1)
        memory = self._stored[max(bisect_right(self._times, self._us // 1000) - 1, 0)].memory
        moment = Moment(raws[at], memory)
        for unit in self._units:
            payload = unit.answer(request, moment)
            if payload is None:
                continue
            first, *rest = frames(payload)
            yield self._line(unit.address, first)
            if rest:
                yield self._line(unit.address - REPLY_LESS_REQUEST, CLEAR_TO_SEND.ljust(8, b"\0"))
                for frame in rest:
                    yield self._line(unit.address, frame)

    def _others(self) -> Iterator[str]:
        yield self._line(0x1A4, self._draw.bytes(8))
        yield self._line(0x316, self._draw.bytes(6))

    def _line(self, address: int, content: bytes) -> str:
        self._us += int(self._draw.integers(220, 900))
        seconds, micros = divmod(self._us, 1_000_000)
        return f"({seconds}.{micros:06d}) can0 {address:03X}#{content.hex().upper()}"
