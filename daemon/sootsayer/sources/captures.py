"""Recordings of a diagnostic session as batches: candump text, python-can's formats, CSV."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from pathlib import Path

from sootsayer.model import Batch, Identity, SootsayerError
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.protocol.isotp import Reassembler
from sootsayer.sources.batching import BatchBuilder
from sootsayer.sources.can_logs import CAN_LOG_SUFFIXES, CanLogFile
from sootsayer.sources.candump import EXAMPLE, CandumpFile
from sootsayer.sources.capture_frames import CaptureFile
from sootsayer.sources.capture_time import CaptureTime
from sootsayer.sources.columns import ColumnsFile, is_columns

Progress = Callable[[int, int], None]

UNIT = "capture"
BATCH_MS = 60_000  # log time in one batch: large enough for arrays, small enough for memory
LOOK_AHEAD_FRAMES = 20_000  # how far the beginning is read for whose a channel is


def read_captures(
    paths: Sequence[Path], progress: Progress = lambda done, total: None
) -> Iterator[Batch]:
    """Batches of all recordings, in the order of their first stamps. Log time = epoch ms.

    ``progress`` hears bytes done and bytes in all. What had to be made up (stamps, a clock that
    was set back) comes as identities with the key "notice", what was passed over as the key
    "passed over". Raises SootsayerError naming the file when one cannot be read or holds nothing
    that could be used.
    """
    opened = [_opened(path) for path in paths]
    columns = [file for file in opened if isinstance(file, ColumnsFile)]
    files = [file for file in opened if not isinstance(file, ColumnsFile)]
    if columns and files:
        raise SootsayerError(
            f"recording {columns[0].path} has columns and {files[0].path} has frames; "
            "judge them one after the other"
        )
    if columns:
        yield from _columns(columns, progress)
    else:
        yield from _Capture(sorted(files, key=lambda file: file.first_ms), progress).batches()


def _opened(path: Path) -> CaptureFile | ColumnsFile:
    try:
        if path.suffix.lower() in CAN_LOG_SUFFIXES:
            return CanLogFile(path)
        return ColumnsFile(path) if is_columns(path) else CandumpFile(path)
    except OSError as error:
        raise _unreadable(path, error) from error


def _unreadable(path: Path, error: OSError) -> SootsayerError:
    return SootsayerError(
        f"recording {path} cannot be read: {error.strerror or error}; check the path"
    )


def _columns(files: Sequence[ColumnsFile], progress: Progress) -> Iterator[Batch]:
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

    def __init__(self, files: Sequence[CaptureFile], progress: Progress) -> None:
        self._files = files
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
            self._time.begin(file)
            try:
                yield from self._of(file)
            except OSError as error:
                raise _unreadable(file.path, error) from error
            self._done += file.size_bytes
            self._check_useful(file)
        self._progress(self._total, self._total)
        last_ms = self._time.last_ms
        if last_ms is not None:
            self._say(last_ms, "passed over", self._passed_over())
            yield self._builder.take(last_ms)

    def _of(self, file: CaptureFile) -> Iterator[Batch]:
        feed, decode, add = self._reassembler.feed, self._decoder.feed, self._builder.add
        log_ms = self._time.log_ms
        done_bytes = 0
        for stamp_ms, unit, body in file.frames():
            t_ms = log_ms(stamp_ms)
            if self._cut_ms is None or t_ms > self._cut_ms:
                if self._cut_ms is not None:
                    yield self._builder.take(self._cut_ms)
                self._cut_ms = t_ms - t_ms % BATCH_MS + BATCH_MS
            payload = feed(unit, body, t_ms)
            if payload is not None:
                for event in decode(t_ms, unit, payload):
                    add(event)
            if file.done_bytes != done_bytes:
                done_bytes = file.done_bytes
                self._progress(self._done + done_bytes, self._total)

    def _look_ahead(self) -> None:
        """Learn from the beginning whose a channel is, so that its id never changes hands."""
        scout, reassembler = ReplyDecoder(), Reassembler()
        for file in self._files[:1]:
            for _, unit, body in islice(file.frames(), LOOK_AHEAD_FRAMES):
                payload = reassembler.feed(unit, body)
                if payload is not None:
                    scout.feed(0, unit, payload)
            file.counters.clear()
        self._decoder.adopt_names(scout)

    def _check_useful(self, file: CaptureFile) -> None:
        if file.counters["control unit frames"]:
            return
        frames = file.counters["frames"]
        if not frames:
            raise SootsayerError(
                f"recording {file.path} holds nothing that can be read; expected lines such as "
                f"{EXAMPLE}, a python-can log, or CSV whose first column is time"
            )
        raise SootsayerError(
            f"recording {file.path} holds {frames} frames but none from a control unit that "
            "answers a tester (7E8 to 7EF, 18DAF1xx); record while a tester is asking"
        )

    def _passed_over(self) -> str:
        """Counts of what was not used, in words; "" when nothing was."""
        counts: Counter[str] = Counter()
        for file in self._files:
            counts += Counter({k: n for k, n in file.counters.items() if k not in _ORDINARY})
        counts += Counter({str(k): n for k, n in self._reassembler.faults.items()})
        counts += self._decoder.counters
        return ", ".join(f"{count} × {what}" for what, count in sorted(counts.items()))

    def _notice(self, t_ms: int, words: str) -> None:
        self._say(t_ms, "notice", words)

    def _say(self, t_ms: int, key: str, words: str) -> None:
        if words:
            self._builder.add(Identity(t_ms, UNIT, key, words))


_ORDINARY = frozenset({"lines", "frames", "requests", "control unit frames"})
