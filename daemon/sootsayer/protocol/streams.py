"""Bytes of a pre-standard serial stream in, readings out, by a `StreamTable`. Sans I/O.

A frame is taken only when it begins as one of the table's messages, has its length and its
checksum; otherwise one byte is skipped and the search goes on, so noise costs frames but never
makes one. The checksums of such streams are a single byte: one spoiled frame in 256 would pass
it, which is why every row has limits as well.
"""

from __future__ import annotations

from collections import Counter

from sootsayer.model import Reading, Sample
from sootsayer.protocol.pulses import PulseWords
from sootsayer.protocol.stream_table import FrameKind, Message, StreamTable, check_byte

FRAMES = "stream frames"
ECHOES = "stream echoes"
SKIPPED = "stream bytes skipped"
WRONG_SUM = "stream checksum wrong"
BROKEN_OFF = "stream frame broken off"
NOT_BELIEVED = "stream reading out of limits"


class StreamDecoder:
    """Readings carry the stamp at which the last byte of their frame was fed.

    ``heard``: whole frames so far, by the name of their message.
    """

    def __init__(self, table: StreamTable, counters: Counter[str] | None = None) -> None:
        self.counters: Counter[str] = Counter() if counters is None else counters
        self.heard: Counter[str] = Counter()
        self._table = table
        self._waiting = bytearray()
        self._echo = b""  # of our own request, still to come
        self._last_ms = 0
        self._pulses: PulseWords | None = None
        if table.kind is FrameKind.PULSES:
            self._pulses = PulseWords(table.size(table.messages[0]), self.counters)

    def sent(self, request: bytes) -> None:
        """A request went out: on a single wire it comes back before the reply does."""
        if self._table.echo:
            self._echo = request

    def feed(self, t_ms: int, received: bytes) -> list[Reading]:
        """``received``: what came up to ``t_ms``; after a pause begun frames are given up."""
        readings: list[Reading] = []
        if received and t_ms - self._last_ms > self._table.gap_ms:
            readings = self.pause()
        if received:
            self._last_ms = t_ms
        if self._pulses is not None:
            for words in self._pulses.feed(received):
                readings += self._whole_words(words)
            return readings
        self._waiting += received
        return readings + self._search(more_may_come=True)

    def pause(self) -> list[Reading]:
        """Nothing more will come that belongs to what came: a frame within it may be whole."""
        if self._pulses is not None:
            self._pulses.reset()
            return []
        return self._search(more_may_come=False)

    # ------------------------------------------------------------ frames

    def _search(self, more_may_come: bool) -> list[Reading]:
        readings: list[Reading] = []
        waiting = self._waiting
        while waiting:
            taken = self._echo_here() or self._frame_here(readings, more_may_come)
            if not taken:
                break
            del waiting[:taken]
        return readings

    def _echo_here(self) -> int:
        """How many bytes at the front are our own request; whole ones only."""
        if not self._echo or not self._waiting.startswith(self._echo):
            return 0
        taken = len(self._echo)
        self._echo = b""
        self.counters[ECHOES] += 1
        return taken

    def _frame_here(self, readings: list[Reading], more_may_come: bool) -> int:
        """How many bytes to take off the front; 0 while more must come to know."""
        waiting = self._waiting
        if more_may_come and self._echo.startswith(bytes(waiting)):
            return 0
        for message in self._table.messages:
            begun = message.head[: len(waiting)]
            if not waiting.startswith(begun):
                continue
            size = self._table.size(message)
            if len(waiting) < size:
                if more_may_come:
                    return 0
                if begun == message.head:
                    self.counters[BROKEN_OFF] += 1
                continue
            frame = bytes(waiting[:size])
            if self._sum_is_right(frame):
                readings += self._whole(message, frame)
                return size
            self.counters[WRONG_SUM] += 1
        self.counters[SKIPPED] += 1
        return 1

    def _sum_is_right(self, frame: bytes) -> bool:
        due = check_byte(self._table.checksum, frame[:-1])
        return not due or frame[-1:] == due

    def _whole_words(self, words: bytes) -> list[Reading]:
        message = self._table.messages[0]
        if words.startswith(message.head) and self._sum_is_right(words):
            return self._whole(message, words)
        self.counters[WRONG_SUM] += 1
        return []

    def _whole(self, message: Message, frame: bytes) -> list[Reading]:
        self.counters[FRAMES] += 1
        self.heard[message.name] += 1
        body = frame[len(message.head) : len(message.head) + message.data_bytes]
        samples: list[Sample] = []
        for row in message.rows:
            found = row.samples(body)
            if not found:
                self.counters[NOT_BELIEVED] += 1
            samples += found
        return [Reading(self._last_ms, self._table.unit, tuple(samples))] if samples else []
