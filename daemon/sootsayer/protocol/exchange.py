"""One request to the adapter and everything it brings, up to the prompt. No I/O.

Bytes go in with ``feed``; None means that more is needed, a ``Reply`` that the prompt came.
``time_out`` closes an exchange whose prompt is missing. What the adapter or the car did wrong
stands in the reply as remarks and counts: nothing raises.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from sootsayer.protocol.headers import Frame, LineFault, LinkKind, frame_of
from sootsayer.protocol.isotp import Reassembler
from sootsayer.protocol.j1979 import pids_in
from sootsayer.protocol.older import merge
from sootsayer.protocol.remarks import Remark, compact, names_adapter, read_line

PROMPT = b">"
MAX_REPLY_BYTES = 65536  # a chattering or broken adapter must not fill the memory
STALE = "reply to another request"
DOUBLED = "doubled line"
OVERFLOW = "endless reply"
NO_PROMPT = "prompt missing"
ODD_BYTES = "byte that is no text"
SPOILED = "\x7f"
_REQUEST = re.compile(r"[0-9A-F]{2,}")
_TEXT = frozenset((*b"\r\t", *range(0x20, 0x7F)))


@dataclass(frozen=True, slots=True)
class Reply:
    """What one request brought.

    ``messages``: whole replies of control units to this very request, in order of arrival.
    ``texts``: lines that are neither replies nor remarks, such as a version or a voltage.
    ``complete``: the prompt came.
    """

    command: str
    messages: tuple[Frame, ...] = ()
    texts: tuple[str, ...] = ()
    remarks: tuple[Remark, ...] = ()
    faults: Mapping[str, int] = field(default_factory=dict)
    complete: bool = True

    @property
    def empty(self) -> bool:
        """Nothing but a prompt came."""
        return not (self.messages or self.texts or self.remarks or self.faults)

    def has(self, remarks: frozenset[Remark]) -> bool:
        return not remarks.isdisjoint(self.remarks)


def request_bytes(command: str) -> bytes:
    """The bytes of a request without the count digit some adapters understand; b"" for others."""
    if not _REQUEST.fullmatch(command):
        return b""
    return bytes.fromhex(command[: len(command) // 2 * 2])


def answers(request: bytes, payload: bytes) -> bool:
    """Whether a reply belongs to the request, so that a late one never becomes a reading."""
    if payload[0] == 0x7F:
        return payload[1:2] == request[:1]
    if payload[0] != request[0] | 0x40:
        return False
    if request[0] == 0x01:
        pids = set(pids_in(payload))
        return bool(pids) and pids <= set(request[1:])
    return len(request) == 1 or payload[1:2] == request[1:2]


class Exchange:
    """``command`` without the carriage return; ``kind`` once the link is known."""

    def __init__(self, command: str, kind: LinkKind | None = None) -> None:
        self.command = command
        self.rest = b""  # what came after the prompt
        self._request = request_bytes(command)
        self._kind = kind
        self._buffer = bytearray()
        self._faults: Counter[str] = Counter()

    def feed(self, arrived: bytes) -> Reply | None:
        before, prompt, after = arrived.partition(PROMPT)
        self._buffer += before
        if len(self._buffer) > MAX_REPLY_BYTES:
            self._faults[OVERFLOW] += 1
            return self._reply(complete=False)
        if not prompt:
            return None
        self.rest = after
        return self._reply(complete=True)

    def time_out(self) -> Reply:
        self._faults[NO_PROMPT] += 1
        return self._reply(complete=False)

    # ------------------------------------------------------------ lines

    def _lines(self) -> list[str]:
        """Text lines without echo. An odd byte stays visible, so that it spoils its line."""
        raw = bytes(self._buffer[:MAX_REPLY_BYTES]).replace(b"\0", b"").replace(b"\n", b"\r")
        text = "".join(chr(byte) if byte in _TEXT else SPOILED for byte in raw)
        odd = text.count(SPOILED)
        if odd:
            self._faults[ODD_BYTES] += odd
        lines = (line.strip() for line in text.split("\r"))
        return [line for line in lines if line and not self._is_echo(line)]

    def _is_echo(self, line: str) -> bool:
        return compact(line) == self.command

    def _reply(self, *, complete: bool) -> Reply:
        remarks: list[Remark] = []
        texts: list[str] = []
        digits: list[str] = []
        for line in self._lines():
            said = read_line(line)
            remarks += said.remarks
            if self._request:
                digits += [text for text in said.rest if not self._is_echo(text)]
                remarks += [Remark.RESTARTED for text in said.rest if names_adapter(text)]
            elif not said.remarks:
                texts.append(line)
        if self._kind is None:
            texts += digits
            messages: Sequence[Frame] = ()
        else:
            messages = self._messages(digits, self._kind)
        return Reply(
            self.command,
            tuple(messages),
            tuple(texts),
            tuple(remarks),
            dict(self._faults),
            complete,
        )

    # ------------------------------------------------------------ messages

    def _messages(self, lines: Sequence[str], kind: LinkKind) -> list[Frame]:
        frames = self._frames(lines, kind)
        whole = self._reassembled(frames) if kind.is_can else merge(frames, self._faults)
        return [message for message in self._once(whole) if self._is_answer(message)]

    def _frames(self, lines: Sequence[str], kind: LinkKind) -> list[Frame]:
        frames: list[Frame] = []
        last_of: dict[str, Frame] = {}
        for line in lines:
            frame = frame_of(line, kind)
            if isinstance(frame, LineFault):
                self._faults[frame] += 1
            elif kind.is_can and last_of.get(frame.unit) == frame:
                self._faults[DOUBLED] += 1
            else:
                frames.append(frame)
                last_of[frame.unit] = frame
        return frames

    def _reassembled(self, frames: Sequence[Frame]) -> list[Frame]:
        reassembler = Reassembler()
        messages: list[Frame] = []
        for frame in frames:
            payload = reassembler.feed(frame.unit, frame.body)
            if payload is not None:
                messages.append(Frame(frame.unit, payload))
        reassembler.abandon()
        self._faults.update({str(fault): n for fault, n in reassembler.faults.items() if n})
        return messages

    def _once(self, frames: Sequence[Frame]) -> list[Frame]:
        """Drop what is said twice: some adapters repeat replies, no control unit does."""
        kept = list(dict.fromkeys(frames))
        if len(kept) != len(frames):
            self._faults[DOUBLED] += len(frames) - len(kept)
        return kept

    def _is_answer(self, message: Frame) -> bool:
        if answers(self._request, message.body):
            return True
        self._faults[STALE] += 1
        return False
