"""A transcript of an adapter as a recording: every answer becomes what it was when it came."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from sootsayer.model import Batch, Identity, SootsayerError
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.protocol.dialogue import volts_in
from sootsayer.protocol.exchange import Reply
from sootsayer.protocol.transcript import HEAD, Overhearer, Transcript, Turn, parse
from sootsayer.sources.batching import BatchBuilder
from sootsayer.sources.capture_time import REPLY_MS
from sootsayer.sources.interview import voltage_reading

UNIT = "capture"
BATCH_TURNS = 2000
MAX_BYTES = 1 << 28  # a week of a fast adapter; more is no transcript


def is_transcript(path: Path) -> bool:
    with path.open("rb") as file:
        return file.readline(200).startswith(HEAD.encode())


class TranscriptFile:
    """Raises OSError when it cannot be read, SootsayerError for a line that means nothing."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.size_bytes = path.stat().st_size
        self.done_bytes = 0
        if self.size_bytes > MAX_BYTES:
            raise SootsayerError(f"transcript {path} has {self.size_bytes} bytes; cut it up")
        self._notices: list[str] = []
        self._transcript = self._parsed()
        self.first_ms = self._started_ms(self._transcript.facts.get("started", ""))

    def _parsed(self) -> Transcript:
        try:
            return parse(self.path.read_text(encoding="utf-8", errors="replace"))
        except ValueError as trouble:
            raise SootsayerError(
                f"transcript {self.path}: {trouble}; leave the line out or record again"
            ) from trouble

    def _started_ms(self, text: str) -> int:
        try:
            date = datetime.fromisoformat(text)
        except ValueError:
            self._notices.append(
                f"{self.path.name}: not stated when it was started; taken to be when the file was "
                "last changed"
            )
            return round(self.path.stat().st_mtime * 1000)
        if date.tzinfo is None:
            date = date.replace(tzinfo=UTC)
        return round(date.timestamp() * 1000)

    def batches(self, after_ms: int) -> Iterator[Batch]:
        """All turns as batches; an answer without a time comes a little after the one before."""
        builder = BatchBuilder()
        builder.take(after_ms)
        counts: Counter[str] = Counter()
        decoder = ReplyDecoder(counts)
        t_ms = max(self.first_ms, after_ms + 1)
        for notice in self._notices:
            builder.add(Identity(t_ms, UNIT, "notice", notice))
        turns = 0
        for turn, reply in self._replies():
            t_ms = max(t_ms, self._log_ms(turn, t_ms))
            self._hear(t_ms, turn, reply, decoder, builder)
            counts.update(reply.faults)
            turns += 1
            if turns % BATCH_TURNS == 0:
                yield builder.take(t_ms - 1)
        if not builder.readings:
            raise SootsayerError(
                f"transcript {self.path} holds {turns} requests and no answer that is a reading; "
                "record while the ignition is on"
            )
        self.done_bytes = self.size_bytes
        words = ", ".join(f"{count} × {what}" for what, count in sorted(counts.items()) if count)
        if words:
            builder.add(Identity(t_ms, UNIT, "passed over", words))
        yield builder.take(t_ms)

    def _replies(self) -> Iterator[tuple[Turn, Reply]]:
        for part in self._transcript.parts:
            yield from Overhearer(part.turns, part.link).replies()

    def _log_ms(self, turn: Turn, before_ms: int) -> int:
        return before_ms + REPLY_MS if turn.t_ms is None else self.first_ms + turn.t_ms

    def _hear(
        self, t_ms: int, turn: Turn, reply: Reply, decoder: ReplyDecoder, builder: BatchBuilder
    ) -> None:
        if turn.request == "ATRV":
            volts = volts_in(reply)
            if volts is not None:
                builder.add(voltage_reading(t_ms, volts))
        for message in reply.messages:
            for event in decoder.feed(t_ms, message.unit, message.body):
                builder.add(event)
