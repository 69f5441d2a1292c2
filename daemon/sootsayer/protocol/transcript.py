"""Transcripts: a conversation with an adapter as text that a person can read, send and replay.

    # Sootsayer transcript 1          remarks; the first line says what the file is
    # started: 2026-11-24T07:30:00Z   facts about the recording, one a line
    @link CAN_11                      kind of link of what follows, a name of LinkKind; without it
                                      the conversation itself shows it
    @run find_car                     (tests) the part of our dialogue that asks what follows
    0.512 > 010C                      seconds since the start (optional), what was sent
    0.538 < 7E804410C1AF8\\r\\r>       what came, several lines are one

Of what came, \\r \\n \\0 \\xNN and \\\\ stand for bytes that are no text. What came before
anything was sent belongs to an empty request. A reply without a prompt at its end is one that
never came to an end. No I/O here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from sootsayer.protocol.exchange import Exchange, Reply
from sootsayer.protocol.headers import LinkKind, kind_seen_in, kind_told_by

HEAD = "# Sootsayer transcript 1"
ASK_KIND = "ATDPN"
FORGETS_KIND = frozenset({"ATZ", "ATD", "ATWS", "ATSP0"})
RUNS = frozenset({"set_up", "find_car", "try_out"})
_HEX = re.compile(r"(?:[0-9A-F]{2})+")
_TURN = re.compile(r"(?:(\d{1,9}(?:\.\d{1,6})?) )?([<>])(?: (.*))?\Z")
_FACT = re.compile(r"# ([a-z][a-z ]{0,29}): (.*)")
_ESCAPES = {0x0D: "\\r", 0x0A: "\\n", 0x5C: "\\\\"}  # NUL as \\0 would swallow digits behind it


@dataclass(slots=True)
class Turn:
    """One request and what came after it. Times in ms since the start, None where not stated."""

    request: str
    sent_ms: int | None = None
    came_ms: int | None = None
    stream: bytes = b""

    @property
    def t_ms(self) -> int | None:
        """When the answer was true: halfway between request and first byte."""
        if self.sent_ms is None or self.came_ms is None:
            return self.sent_ms
        return (self.sent_ms + self.came_ms) // 2


@dataclass(slots=True)
class Part:
    """Turns that belong together: a run of the dialogue, or requests on one link."""

    run: str = ""
    link: LinkKind | None = None
    turns: list[Turn] = field(default_factory=list)


@dataclass(slots=True)
class Transcript:
    facts: dict[str, str]
    parts: list[Part]


def escaped(received: bytes) -> str:
    """Bytes as they stand in a transcript."""
    return "".join(
        _ESCAPES.get(byte) or (chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}")
        for byte in received
    )


def unescaped(text: str) -> bytes:
    """The bytes behind such a text. Raises ValueError for what is none."""
    return text.encode("latin-1").decode("unicode_escape").encode("latin-1")


def turn_line(t_ms: int, arrow: str, text: str) -> str:
    return f"{t_ms / 1000:.3f} {arrow} {text}".rstrip()


def parse(text: str) -> Transcript:
    """Read a transcript. Raises ValueError naming the line that means nothing."""
    facts: dict[str, str] = {}
    parts = [Part()]
    for number, line in enumerate(text.splitlines(), start=1):
        try:
            _read(line.strip(), facts, parts)
        except (ValueError, KeyError) as trouble:
            raise ValueError(f"line {number}: {line.strip()!r} means nothing") from trouble
    return Transcript(facts, [part for part in parts if part.turns])


def _read(line: str, facts: dict[str, str], parts: list[Part]) -> None:
    if not line:
        return
    if line.startswith("#"):
        fact = _FACT.fullmatch(line)
        if fact:
            facts.setdefault(fact[1], fact[2])
        return
    word, _, rest = line.partition(" ")
    if word == "@link":
        parts.append(Part(link=LinkKind[rest.strip()]))
    elif word == "@run":
        parts.append(Part(run=_run_named(rest.strip())))
    else:
        match = _TURN.match(line)
        if match is None:
            raise ValueError(line)
        _add_turn(parts[-1], match)


def _run_named(run: str) -> str:
    """Raises ValueError for a part of the dialogue that there is not."""
    name, _, pids = run.partition(" ")
    if name not in RUNS or (pids and not _HEX.fullmatch(pids)):
        raise ValueError(run)
    return run


def _add_turn(part: Part, match: re.Match[str]) -> None:
    t_ms = None if match[1] is None else round(float(match[1]) * 1000)
    if match[2] == ">":
        part.turns.append(Turn((match[3] or "").strip().upper(), t_ms))
        return
    if not part.turns:
        part.turns.append(Turn("", t_ms))
    turn = part.turns[-1]
    if turn.came_ms is None:
        turn.came_ms = t_ms
    turn.stream += unescaped(match[3] or "")


# ---------------------------------------------------------------- reading along


def exchange(turn: Turn, kind: LinkKind | None, step: int = 65536) -> Reply:
    """What a turn brought, its bytes fed ``step`` at a time."""
    talk = Exchange(turn.request, kind)
    for at in range(0, len(turn.stream), step):
        reply = talk.feed(turn.stream[at : at + step])
        if reply is not None:
            return reply
    return talk.time_out()


class Overhearer:
    """Reads a conversation from outside: the link shows in what the adapter tells, or in its lines.

    ``turns``: all of one part. What is told after a reply was needed is known beforehand.
    """

    def __init__(self, turns: list[Turn], link: LinkKind | None = None) -> None:
        self._turns = turns
        self._link = link

    def replies(self, step: int = 65536) -> Iterator[tuple[Turn, Reply]]:
        kind = self._link
        for index, turn in enumerate(self._turns):
            if self._link is None and turn.request in FORGETS_KIND:
                kind = None
            if kind is None and not turn.request.startswith("AT"):
                kind = self._kind_of(turn, index)
            yield turn, exchange(turn, kind, step)

    def _kind_of(self, turn: Turn, index: int) -> LinkKind | None:
        """As the lines look; where they look like several, as the adapter tells next."""
        texts = exchange(turn, None).texts
        told = self._told_after(index)
        if told is not None and any(_looks(text, told) for text in texts):
            return told
        return next((kind for kind in map(kind_seen_in, texts) if kind is not None), None)

    def _told_after(self, index: int) -> LinkKind | None:
        for turn in self._turns[index : index + 4]:
            if turn.request == ASK_KIND:
                texts = exchange(turn, None).texts
                return kind_told_by(texts[0]) if texts else None
        return None


def _looks(text: str, kind: LinkKind) -> bool:
    return kind_seen_in(text) is kind
