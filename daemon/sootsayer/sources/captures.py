"""Recordings as batches: candump text, python-can's formats, CSV, transcripts of an adapter.

A tester's traffic is always understood; J1939 where 29-bit traffic looks like it; other broadcasts
by a DBC file.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Protocol

from sootsayer.model import Batch, Identity, SootsayerError, SourceEvent
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.protocol.isotp import Reassembler
from sootsayer.protocol.j1939 import J1939Decoder, looks_like_j1939
from sootsayer.sources.batching import BatchBuilder
from sootsayer.sources.can_logs import CAN_LOG_SUFFIXES, CanLogFile
from sootsayer.sources.candump import EXAMPLE, CandumpFile
from sootsayer.sources.capture_frames import REPLY_ADDRESS, CaptureFile, Frame
from sootsayer.sources.capture_time import CaptureTime
from sootsayer.sources.columns import ColumnsFile, is_columns
from sootsayer.sources.transcript_file import TranscriptFile, is_transcript

Progress = Callable[[int, int], None]

UNIT = "capture"
BATCH_MS = 60_000  # log time in one batch: large enough for arrays, small enough for memory
LOOK_AHEAD_FRAMES = 20_000  # how far the beginning is read for whose a channel is


class FrameDecoder(Protocol):
    """Whatever turns frames of a bus into events; ``counters`` tells what was passed over."""

    @property
    def counters(self) -> Counter[str]: ...

    def feed(self, t_ms: int, address: int, extended: bool, body: bytes) -> list[SourceEvent]: ...


def read_captures(
    paths: Sequence[Path],
    progress: Progress = lambda done, total: None,
    signals: FrameDecoder | None = None,
) -> Iterator[Batch]:
    """Batches of all recordings, in the order of their first stamps. Log time = epoch ms.

    ``progress`` hears bytes done and bytes in all. ``signals`` decodes a car's own broadcasts.
    What had to be made up (stamps, a clock that
    was set back) comes as identities with the key "notice", what was passed over as the key
    "passed over". Raises SootsayerError naming the file when one cannot be read or holds nothing
    that could be used.
    """
    opened = [_opened(path) for path in paths]
    tables = [file for file in opened if isinstance(file, ColumnsFile | TranscriptFile)]
    files = [file for file in opened if not isinstance(file, ColumnsFile | TranscriptFile)]
    if tables and files:
        kind = "columns" if isinstance(tables[0], ColumnsFile) else "an adapter's lines"
        raise SootsayerError(
            f"recording {tables[0].path} has {kind} and {files[0].path} has frames; "
            "judge them one after the other"
        )
    if tables:
        yield from _tables(tables, progress)
    else:
        in_order = sorted(files, key=lambda file: file.first_ms)
        yield from _Capture(in_order, progress, signals).batches()


def _opened(path: Path) -> CaptureFile | ColumnsFile | TranscriptFile:
    try:
        if path.suffix.lower() in CAN_LOG_SUFFIXES:
            return CanLogFile(path)
        if is_transcript(path):
            return TranscriptFile(path)
        return ColumnsFile(path) if is_columns(path) else CandumpFile(path)
    except OSError as error:
        raise _unreadable(path, error) from error


def _unreadable(path: Path, error: OSError) -> SootsayerError:
    return SootsayerError(
        f"recording {path} cannot be read: {error.strerror or error}; check the path"
    )


def _tables(files: Sequence[ColumnsFile | TranscriptFile], progress: Progress) -> Iterator[Batch]:
    total = sum(file.size_bytes for file in files)
    done = 0
    upto_ms = 0
    for file in sorted(files, key=lambda one: one.first_ms):
        for batch in file.batches(upto_ms):
            upto_ms = batch.upto_ms
            yield batch
            progress(done + file.done_bytes, total)
        done += file.size_bytes


class _Capture:
    """Frames of several files, one after another, through one decoder."""

    def __init__(
        self, files: Sequence[CaptureFile], progress: Progress, signals: FrameDecoder | None
    ) -> None:
        self._files = files
        self._broadcasts: list[FrameDecoder] = [] if signals is None else [signals]
        self._heard = 0  # events from broadcasts
        self._progress = progress
        self._total = sum(file.size_bytes for file in files)
        self._done = 0
        self._decoder = ReplyDecoder()
        self._reassembler = Reassembler()
        self._builder = BatchBuilder()
        self._time = CaptureTime(self._notice)
        self._cut_ms: int | None = None

    def batches(self) -> Iterator[Batch]:
        self._look_ahead()
        for file in self._files:
            heard = self._heard
            self._time.begin(file)
            try:
                yield from self._of(file)
            except OSError as error:
                raise _unreadable(file.path, error) from error
            self._done += file.size_bytes
            if self._heard == heard:
                self._check_useful(file)
        self._progress(self._total, self._total)
        last_ms = self._time.last_ms
        if last_ms is not None:
            self._say(last_ms, "passed over", self._passed_over())
            yield self._builder.take(last_ms)

    def _of(self, file: CaptureFile) -> Iterator[Batch]:
        add, events_of = self._builder.add, self._events_of
        log_ms = self._time.log_ms
        done_bytes = 0
        for stamp_ms, address, body in self._frames(file):
            t_ms = log_ms(stamp_ms)
            if self._cut_ms is None or t_ms > self._cut_ms:
                if self._cut_ms is not None:
                    yield self._builder.take(self._cut_ms)
                self._cut_ms = t_ms - t_ms % BATCH_MS + BATCH_MS
            for event in events_of(t_ms, address, body):
                add(event)
            if file.done_bytes != done_bytes:
                done_bytes = file.done_bytes
                self._progress(self._done + done_bytes, self._total)

    def _frames(self, file: CaptureFile) -> Iterator[Frame]:
        return file.every_frame() if self._broadcasts else file.frames()

    def _events_of(self, t_ms: int, address: str, body: bytes) -> Iterable[SourceEvent]:
        if not self._broadcasts or REPLY_ADDRESS.fullmatch(address):
            payload = self._reassembler.feed(address, body, t_ms)
            return () if payload is None else self._decoder.feed(t_ms, address, payload)
        number, extended = int(address, 16), len(address) == 8
        events: list[SourceEvent] = []
        for decoder in self._broadcasts:
            events += decoder.feed(t_ms, number, extended, body)
        self._heard += len(events)
        return events

    def _look_ahead(self) -> None:
        """Learn from the beginning whose a channel is, so that its id never changes hands, and
        whether heavy vehicles' broadcasts are there."""
        self._look_for_j1939()
        scout, reassembler = ReplyDecoder(), Reassembler()
        for file in self._files[:1]:
            for _, unit, body in islice(file.frames(), LOOK_AHEAD_FRAMES):
                payload = reassembler.feed(unit, body)
                if payload is not None:
                    scout.feed(0, unit, payload)
            file.counters.clear()
        self._decoder.adopt_names(scout)

    def _look_for_j1939(self) -> None:
        for file in self._files:
            frames = list(islice(file.every_frame(), LOOK_AHEAD_FRAMES))
            file.counters.clear()
            long_ones = [(int(frame[1], 16), frame[2]) for frame in frames if len(frame[1]) == 8]
            if looks_like_j1939(number for number, _ in long_ones):
                scout, decoder = J1939Decoder(), J1939Decoder()
                for number, body in long_ones:
                    scout.feed(0, number, True, body)
                decoder.adopt_names(scout)
                self._broadcasts.insert(0, decoder)
                return

    def _check_useful(self, file: CaptureFile) -> None:
        if file.counters["control unit frames"]:
            return
        frames = file.counters["frames"]
        if not frames:
            raise SootsayerError(
                f"recording {file.path} holds nothing that can be read; expected lines such as "
                f"{EXAMPLE}, a python-can log, a transcript, or CSV whose first column is time"
            )
        raise SootsayerError(
            f"recording {file.path} holds {frames} frames but none from a control unit that "
            "answers a tester (7E8 to 7EF, 18DAF1xx); record while a tester is asking, or give "
            "the car's DBC file"
        )

    def _passed_over(self) -> str:
        """Counts of what was not used, in words; "" when nothing was."""
        counts: Counter[str] = Counter()
        for file in self._files:
            counts += Counter({k: n for k, n in file.counters.items() if k not in _ORDINARY})
        counts += Counter({str(k): n for k, n in self._reassembler.faults.items()})
        counts += self._decoder.counters
        for decoder in self._broadcasts:
            counts += decoder.counters
        return ", ".join(f"{count} × {what}" for what, count in sorted(counts.items()))

    def _notice(self, t_ms: int, words: str) -> None:
        self._say(t_ms, "notice", words)

    def _say(self, t_ms: int, key: str, words: str) -> None:
        if words:
            self._builder.add(Identity(t_ms, UNIT, key, words))


_ORDINARY = frozenset({"lines", "frames", "requests", "control unit frames"})
