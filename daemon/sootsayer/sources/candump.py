"""Text that candump writes: the log form and the form for the eye, with or without stamps.

    (1700000000.123456) can0 7E8#04410C1AF8000000
     (1700000000.123456)  can0  7E8   [8]  04 41 0C 1A F8 00 00 00

Only frames from control units that answer a tester are taken out; all others are passed over at
the speed of a search. Lines that are neither are counted.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

from sootsayer.sources.capture_frames import CaptureFile, Frame, Stamps

CHUNK_BYTES = 1 << 20
SAMPLE_BYTES = 1 << 16  # enough of the beginning to know the form and the stamps
EPOCH_BEGINS_S = 100_000_000  # 1973: a smaller stamp does not count from 1970
EXAMPLE = "(1700000000.000000) can0 7E8#04410C1AF8000000"

# the stamp's brackets at the line's start, blanks before and after them
_STAMP = rb"^[ \t]*(?:\(([0-9][0-9:. -]*)\)[ \t]+)?"
_REPLY = rb"(7E[89A-F]|18DAF1[0-9A-F]{2})"
_ADDRESS = rb"([0-9A-F]{3}|[0-9A-F]{8})"
_ASKED = rb"(?:7DF|7E[0-7]|18DB33F1|18DA[0-9A-F]{2}F1)"
_LOG_ANY = _STAMP + rb"[^\s#]+[ \t]+[0-9A-F]{3,8}#"
_EYE_HEAD = _STAMP + rb"[^\s#]+[ \t]+(?:[RT]X[ \t]+\S+[ \t]+\S+[ \t]+)?"
_EYE_ANY = _EYE_HEAD + rb"[0-9A-F]{3,8}[ \t]+\[[0-9]{1,2}\]"


@dataclass(frozen=True, slots=True)
class Form:
    """How lines look: any frame, a reply, all data frames, a request, and frames of CAN FD."""

    any_frame: re.Pattern[bytes]
    reply: re.Pattern[bytes]
    data_frame: re.Pattern[bytes]
    request: re.Pattern[bytes]
    flexible: re.Pattern[bytes]


def _form(
    any_frame: bytes, frame: Callable[[bytes], bytes], request: bytes, flexible: bytes
) -> Form:
    flags = re.MULTILINE | re.IGNORECASE
    texts = (any_frame, frame(_REPLY), frame(_ADDRESS), request, flexible)
    return Form(*(re.compile(text, flags) for text in texts))


_LOG = _form(
    _LOG_ANY,
    lambda address: (
        _STAMP + rb"[^\s#]+[ \t]+" + address + rb"#((?:[0-9A-F]{2}){0,8})(?![0-9A-FR#])"
    ),
    rb"[ \t]" + _ASKED + rb"#",
    rb"[0-9A-F]##",
)
_EYE = _form(
    _EYE_ANY,
    lambda address: _EYE_HEAD + address + rb"[ \t]+\[[0-8]\][ \t]+((?:[0-9A-F]{2}[ \t]*){0,8})",
    rb"[ \t]" + _ASKED + rb"[ \t]+\[",
    rb"[ \t]\[[0-9]{2}\]",
)


def _form_of(sample: bytes) -> Form:
    """The form of which the beginning holds more lines."""
    counts = [len(form.any_frame.findall(sample)) for form in (_LOG, _EYE)]
    return _LOG if counts[0] >= counts[1] else _EYE


def _stamp_ms(text: bytes) -> int:
    """Milliseconds of a stamp in seconds, or of a date, which is taken as UTC. -1: neither."""
    seconds, _, fraction = text.partition(b".")
    try:
        if seconds.isdigit():
            return int(seconds) * 1000 + int(fraction[:3].ljust(3, b"0"))
        date = datetime.fromisoformat(text.decode("ascii").strip())
        return round(date.replace(tzinfo=UTC).timestamp() * 1000)
    except ValueError:
        return -1


def _kind_of_stamps(stamps: list[int]) -> Stamps:
    if not stamps:
        return Stamps.NONE
    if stamps[0] >= EPOCH_BEGINS_S * 1000:
        return Stamps.EPOCH
    backward = sum(1 for one, two in pairwise(stamps) if two < one)
    return Stamps.DELTA if backward > len(stamps) // 10 else Stamps.ZERO


class CandumpFile(CaptureFile):
    """One text file. Raises OSError when it cannot be read."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.size_bytes = path.stat().st_size
        self.counters: Counter[str] = Counter()
        with path.open("rb") as file:
            sample = _whole_lines(file.read(SAMPLE_BYTES))
        self._form = _form_of(sample)
        matches = (match[1] for match in self._form.any_frame.finditer(sample))
        stamps = [_stamp_ms(text) for text in matches if text]
        self.stamps = _kind_of_stamps(stamps)
        self.first_ms = stamps[0] if stamps else 0
        self.done_bytes = 0
        self.last_ms = self.first_ms

    def frames(self) -> Iterator[Frame]:
        for chunk in self._chunks():
            self._count(chunk)
            replies = 0
            for frame in self._matched(self._form.reply, chunk):
                replies += 1
                yield frame
            self.counters["control unit frames"] += replies

    def every_frame(self) -> Iterator[Frame]:
        for chunk in self._chunks():
            self._count(chunk)
            self.counters["control unit frames"] += len(self._form.reply.findall(chunk))
            yield from self._matched(self._form.data_frame, chunk)

    def _chunks(self) -> Iterator[bytes]:
        """Whole lines, about a megabyte at a time."""
        self.done_bytes = 0
        rest = b""
        with self.path.open("rb") as file:
            while read := file.read(CHUNK_BYTES):
                self.done_bytes += len(read)
                chunk = _whole_lines(rest + read)
                rest = (rest + read)[len(chunk) :][-CHUNK_BYTES:]  # a line longer than that is none
                if chunk:
                    yield chunk.replace(b"\r\n", b"\n")
        if rest:
            yield rest + b"\n"

    def _count(self, chunk: bytes) -> None:
        form = self._form
        lines = chunk.count(b"\n")
        stamps = form.any_frame.findall(chunk)
        frames = len(stamps)
        if stamps and stamps[-1]:
            self.last_ms = max(self.last_ms, _stamp_ms(stamps[-1]))
        self.counters["lines"] += lines
        self.counters["frames"] += frames
        self.counters["lines that are no frame"] += lines - frames
        self.counters["requests"] += len(form.request.findall(chunk))
        self.counters["frames of CAN FD"] += len(form.flexible.findall(chunk))

    def _matched(self, pattern: re.Pattern[bytes], chunk: bytes) -> Iterator[Frame]:
        stamp_text, stamp_ms = b"", -1
        for match in pattern.finditer(chunk):
            text, address, digits = match.groups()
            if text != stamp_text:
                stamp_text, stamp_ms = text, _stamp_ms(text) if text else -1
            yield stamp_ms, address.decode("ascii").upper(), bytes.fromhex(digits.decode("ascii"))


def _whole_lines(text: bytes) -> bytes:
    end = text.rfind(b"\n") + 1
    return text[:end] if end else text
