"""What is asked on a slow clock: trouble codes, freeze frames, words, results of monitors. Pure.

What a control unit announces decides what it is asked: the bitmaps of services 09 and 06 are read
first. A freeze frame is asked for when codes are there that were not before. Just before key-off
is lost everything that may have changed is asked once more, because it is gone afterwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sootsayer.protocol.announced import support_bits
from sootsayer.protocol.codes import codes_in
from sootsayer.protocol.j1979 import REPLY
from sootsayer.protocol.monitor_tests import EGR_MONITORS
from sootsayer.protocol.vehicle_words import (
    CALIBRATION,
    CHECKSUM,
    COMPRESSION_COUNTERS,
    NAME,
    SPARK_COUNTERS,
    VIN,
)

CODES, FREEZE, TESTS, WORDS = (0x07, 0x03, 0x0A), 0x02, 0x06, 0x09
WORDS_ALL = bytes((WORDS, 0x00))
TESTS_FROM_21 = bytes((TESTS, 0x20))  # the bitmap in which recirculation's monitors stand
# On older links tests have numbers of the maker's choice, so all are asked for; but see packing
# for why no request may end in one of these two.
OLDER_TESTS = bytes((TESTS, 0x00))
NEVER_ASKED = frozenset({0x04, 0x08, 0x20})
FROZEN_CODE = bytes((FREEZE, 0x02, 0x00))
FREEZE_BASES = (0x00, 0x20)
# What was so when the code was set. Load stands first, it never ends a request (see packing).
FROZEN = (0x04, 0x2C, 0x2D, 0x0C, 0x0B, 0x10, 0x11, 0x0D, 0x05, 0x0F, 0x0E, 0x06, 0x07, 0x03, 0x33)
TRIES = 3  # a lost reply is no refusal; three in a row are


@dataclass(frozen=True, slots=True)
class Clocks:
    """How often, in ms. ``charging_volts``: below it the engine may just have been switched off."""

    codes_ms: int
    monitors_ms: int
    charging_volts: float
    missed_pids: int


@dataclass(slots=True)
class _Question:
    payload: bytes
    period_ms: int | None  # None: until it is answered
    due_ms: int
    tries: int = 0


class Questions:
    """``pairs``: freeze frame parameters a request may hold; ``is_can``: newer services exist."""

    def __init__(self, clocks: Clocks, *, pairs: int, is_can: bool) -> None:
        self._clocks = clocks
        self.pairs = pairs
        self._waiting: list[_Question] = []
        self._codes: dict[int, frozenset[bytes]] = {}
        self._frozen: set[int] = set()
        services = CODES if is_can else CODES[:2]
        for service in services:
            self._add(bytes((service,)), clocks.codes_ms)
        self._add(WORDS_ALL)
        self._add(FROZEN_CODE)
        self._add(TESTS_FROM_21 if is_can else OLDER_TESTS)

    def due(self, now_ms: int) -> bytes | None:
        """The request that has waited longest, None when none is due."""
        ready = [question for question in self._waiting if question.due_ms <= now_ms]
        return min(ready, key=lambda question: question.due_ms).payload if ready else None

    def due_ms(self) -> int | None:
        """When the next one is due, None when nothing more is asked."""
        return min((question.due_ms for question in self._waiting), default=None)

    def closing(self, now_ms: int) -> None:
        """The key may be off in a moment: ask all that may have changed once more, now."""
        for question in self._waiting:
            if question.period_ms is not None:
                question.due_ms = min(question.due_ms, now_ms)

    # ------------------------------------------------------------ outcomes

    def answered(self, payload: bytes, replies: Sequence[bytes], now_ms: int) -> None:
        question = self._find(payload)
        if question is None:
            return
        question.tries = 0
        if question.period_ms is None:
            self._waiting.remove(question)
        else:
            question.due_ms = now_ms + question.period_ms
        self._follow_up(payload, replies, now_ms)

    def missed(self, payload: bytes, now_ms: int) -> None:
        question = self._find(payload)
        if question is None:
            return
        question.tries += 1
        question.due_ms = now_ms + (question.period_ms or 1)
        if question.tries >= TRIES:
            self._waiting.remove(question)
            if payload == WORDS_ALL:  # some control units know the words and not the bitmap
                self._ask_words(range(0x100), now_ms)

    def _find(self, payload: bytes) -> _Question | None:
        return next((q for q in self._waiting if q.payload == payload), None)

    def _add(self, payload: bytes, period_ms: int | None = None, due_ms: int = 0) -> None:
        if self._find(payload) is None:
            self._waiting.append(_Question(payload, period_ms, due_ms))

    # ------------------------------------------------------------ what follows from an answer

    def _follow_up(self, payload: bytes, replies: Sequence[bytes], now_ms: int) -> None:
        service = payload[0]
        if service in CODES:
            self._note_codes(service, replies, now_ms)
        elif payload == WORDS_ALL:
            self._ask_words(_announced(0x00, replies), now_ms)
        elif payload == TESTS_FROM_21:
            for monitor in sorted(_announced(0x20, replies) & set(EGR_MONITORS)):
                self._add(bytes((TESTS, monitor)), self._clocks.monitors_ms, now_ms)
        elif payload == OLDER_TESTS:
            for test in sorted(_announced(0x00, replies) - NEVER_ASKED):
                self._add(bytes((TESTS, test)), self._clocks.monitors_ms, now_ms)
        elif payload == FROZEN_CODE:
            if any(any(reply[3:5]) for reply in replies if reply[1:2] == b"\x02"):
                for base in FREEZE_BASES:
                    self._add(bytes((FREEZE, base, 0x00)), None, now_ms)
        elif service == FREEZE and payload[1] in FREEZE_BASES and len(payload) == 3:
            self._ask_frozen(_announced(payload[1], replies, at=3), now_ms)

    def _note_codes(self, service: int, replies: Sequence[bytes], now_ms: int) -> None:
        """A code that was not there before may have brought a freeze frame."""
        found = frozenset(code.encode() for reply in replies for code in codes_in(reply[2:]))
        before = self._codes.get(service, frozenset())
        self._codes[service] = found
        if found - before:
            self._add(FROZEN_CODE, None, now_ms)

    def _ask_words(self, announced: Iterable[int], now_ms: int) -> None:
        items = frozenset(announced)
        for item in (VIN, CALIBRATION, CHECKSUM, NAME):
            if item in items:
                self._add(bytes((WORDS, item)), None, now_ms)
        for item in (SPARK_COUNTERS, COMPRESSION_COUNTERS):
            if item in items:
                self._add(bytes((WORDS, item)), self._clocks.monitors_ms, now_ms)

    def _ask_frozen(self, announced: frozenset[int], now_ms: int) -> None:
        stored = [pid for pid in FROZEN if pid in announced]
        if self.pairs == 1 and 0x04 in stored:
            stored.remove(0x04)
        for at in range(0, len(stored), self.pairs):
            pairs = bytes(byte for pid in stored[at : at + self.pairs] for byte in (pid, 0x00))
            if pairs != b"\x04\x00":
                self._add(bytes((FREEZE,)) + pairs, None, now_ms)


def _announced(base: int, replies: Sequence[bytes], at: int = 2) -> frozenset[int]:
    """Ids announced by any control unit's bitmap: the last four bytes of a reply for ``base``."""
    bitmaps = [
        reply[-4:]
        for reply in replies
        if reply[0] != 0x7F and reply[1:2] == bytes((base,)) and len(reply) >= at + 4
    ]
    sets = (support_bits(base, bitmap) for bitmap in bitmaps)
    return frozenset().union(*sets)


def answers_service(payload: bytes, reply: bytes) -> bool:
    """Whether a reply is one of the service asked for, and no refusal."""
    return reply[:1] == bytes((payload[0] + REPLY,))
