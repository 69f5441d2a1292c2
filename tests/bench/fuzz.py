"""Every codec under mutated input, guided by coverage: no exception, no endless loop, no growth.

Seeds are the transcripts and valid messages; a mutation that reaches new lines of the codec joins
them. A run that needs more than a fixed number of lines counts as endless. Then one decoder that
lives on is fed for long and its memory is held against what it was half-way.
Alone and for longer: ``python tests/bench/fuzz.py SECONDS_PER_CODEC [SEED [CODEC…]]``; ``run``
takes 3 s each.
"""

from __future__ import annotations

import random
import sys
import tracemalloc
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

import fuzz_lines

from sootsayer.clock import Deadline
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.protocol.exchange import Exchange
from sootsayer.protocol.headers import LinkKind
from sootsayer.protocol.isotp import Reassembler
from sootsayer.protocol.j1939 import J1939Decoder
from sootsayer.protocol.masking import masked
from sootsayer.protocol.pulses import PulseWords
from sootsayer.protocol.replay import replay
from sootsayer.protocol.streams import StreamDecoder
from sootsayer.protocol.transcript import parse

TRANSCRIPTS = Path(__file__).resolve().parent.parent / "transcripts"
SECONDS = 3.0
MOST_BYTES = 600
ENDLESS_LINES = 400_000  # lines of the program for one input; the longest seed needs some thousands
GROWTH_INPUTS = 20_000
# What tables of bounded size may still gain when noise fills them: 4096 names of channels and two
# caches of 4096 layouts, at some 200 bytes each.
GROWTH_BYTES = 2_000_000
SOURCE = "/sootsayer/"

Target = Callable[[bytes], object]


class EndlessError(Exception):
    """One input kept the codec busy for too long."""


def frames(content: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Input as frames: stamp, address and eight bytes from every thirteen."""
    for at in range(0, len(content) - 12, 13):
        piece = content[at : at + 13]
        yield piece[0] * 100, int.from_bytes(piece[1:5], "big") & 0x1FFFFFFF, piece[5:]


def feed_isotp(content: bytes, reassembler: Reassembler | None = None) -> None:
    reassembler = reassembler or Reassembler()
    for t_ms, address, body in frames(content):
        reassembler.feed(f"{address & 7:X}", body[: 1 + address % 8], t_ms)


def feed_j1939(content: bytes, decoder: J1939Decoder | None = None) -> None:
    decoder = decoder or J1939Decoder()
    for t_ms, address, body in frames(content):
        decoder.feed(t_ms, address, True, body)


def feed_replies(content: bytes, decoder: ReplyDecoder | None = None) -> None:
    decoder = decoder or ReplyDecoder()
    for piece in content.split(b"\n"):
        decoder.feed(0, f"{len(piece) % 5}", piece)


def feed_exchange(content: bytes) -> None:
    for kind in LinkKind:
        talk = Exchange("0902" if content[:1] > b"\x80" else "010C", kind)
        if talk.feed(content) is None:
            talk.time_out()


def feed_transcript(content: bytes) -> None:
    try:
        replay(content.decode("latin-1"))
    except ValueError as refusal:
        if "means nothing" not in str(refusal):
            raise


TARGETS: dict[str, Target] = {
    "isotp": feed_isotp,
    "j1939": feed_j1939,
    "replies": feed_replies,
    "exchange": feed_exchange,
    "transcript": feed_transcript,
    "masking": masked,
    **fuzz_lines.TARGETS,
}


def seeds(name: str) -> list[bytes]:
    if name in fuzz_lines.TARGETS:
        return fuzz_lines.seeds(name)
    texts = [path.read_bytes() for path in sorted(TRANSCRIPTS.glob("*.txt"))]
    if name == "transcript":
        return [text[:MOST_BYTES] for text in texts]
    streams = [turn.stream for text in texts for part in parse(text.decode()).parts
               for turn in part.turns]  # fmt: skip
    if name in ("exchange", "masking"):
        return [*{stream[:MOST_BYTES] for stream in streams}]
    if name == "replies":
        bodies = ["410C1AF8", "412C402D800C1AF8", "43020401", "4632802F0FA000002710", "7F0178",
                  "42020004010C001AF8", "490201" + "41" * 17, "46050100120040"]  # fmt: skip
        return [bytes.fromhex(body) for body in bodies]
    broadcast = "00 18ECFF00 200A0002FFCAFE00 01 18EBFF00 0100FFE70A05039B"
    reply = "00 00000007 1014490201534F4F 01 00000007 2154534159455244"
    messages = "00 18FECA00 4000E70A0503FFFF", "00 0CF00400 FFFFFF401FFFFFFF"
    return [bytes.fromhex(text) for text in (broadcast, reply, *messages)]


@dataclass(slots=True)
class Watch:
    """Lines of the program that a run touches, and a limit on how many it may need."""

    seen: set[tuple[str, int]] = field(default_factory=set)
    fresh: bool = False
    left: int = 0

    def trace(self, frame: FrameType, event: str, argument: Any) -> Any:
        if SOURCE not in frame.f_code.co_filename:
            return None
        if event == "line":
            self.left -= 1
            if self.left <= 0:
                raise EndlessError
            place = (frame.f_code.co_filename, frame.f_lineno)
            if place not in self.seen:
                self.seen.add(place)
                self.fresh = True
        return self.trace

    def run(self, target: Target, content: bytes) -> None:
        self.fresh, self.left = False, ENDLESS_LINES
        sys.settrace(self.trace)
        try:
            target(content)
        finally:
            sys.settrace(None)


def mutated(chance: random.Random, corpus: list[bytes]) -> bytes:
    content = bytearray(chance.choice(corpus))
    for _ in range(chance.randint(1, 6)):
        at = chance.randint(0, len(content))
        match chance.randrange(5):
            case 0:
                content[at : at + 1] = bytes((chance.randrange(256),))
            case 1:
                del content[at : at + chance.randint(1, 8)]
            case 2:
                content[at:at] = chance.randbytes(chance.randint(1, 4))
            case 3:
                other = chance.choice(corpus)
                start = chance.randint(0, len(other))
                content[at:at] = other[start : start + chance.randint(1, 30)]
            case 4:
                content[at : at + 1] = chance.choice(b"\r>0F<: \x00\x7f\xff").to_bytes()
    return bytes(content[:MOST_BYTES])


def fuzzed(name: str, seconds: float, chance: random.Random) -> str:
    """One line of what happened. Raises RuntimeError naming the input that did harm."""
    target, corpus, watch = TARGETS[name], seeds(name), Watch()
    runs, waiting, deadline = 0, list(corpus), Deadline(seconds)
    while waiting or not deadline.passed():
        content = waiting.pop() if waiting else mutated(chance, corpus)
        try:
            watch.run(target, content)
        except Exception as harm:
            raise RuntimeError(f"{name}: {harm!r} from {content.hex()}") from harm
        runs += 1
        if watch.fresh and not waiting:
            corpus.append(content)
    return f"{name}: {runs} inputs, {len(watch.seen)} lines reached, corpus {len(corpus)}"


def grown(name: str, feed: Callable[[bytes], None], chance: random.Random) -> str:
    """Memory of one decoder over a long life of noise, second half against first."""
    corpus, held = seeds(name), [0, 0]
    tracemalloc.start()
    for half in range(2):
        for _ in range(GROWTH_INPUTS // 2):
            feed(mutated(chance, corpus))
        held[half] = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    if held[1] - held[0] > GROWTH_BYTES:
        raise RuntimeError(f"{name} grew from {held[0]} to {held[1]} bytes")
    return f"{name}: {GROWTH_INPUTS} inputs of noise into one decoder: {held[1] - held[0]:+d} bytes"


def run(seconds: float = SECONDS, seed: int = 1, only: Sequence[str] = ()) -> list[str]:
    lines = [fuzzed(name, seconds, random.Random(seed)) for name in only or TARGETS]
    if only:
        return lines
    reassembler, truck, decoder = Reassembler(), J1939Decoder(), ReplyDecoder()
    stream = StreamDecoder(fuzz_lines.tables()[0])
    words = PulseWords(fuzz_lines.PULSE_BYTES, stream.counters)
    lives: dict[str, Callable[[bytes], None]] = {
        "stream": lambda content: fuzz_lines.feed_stream(content, stream),
        "pulses": lambda content: fuzz_lines.feed_pulses(content, words),
        "isotp": lambda content: feed_isotp(content, reassembler),
        "j1939": lambda content: feed_j1939(content, truck),
        "replies": lambda content: feed_replies(content, decoder),
    }
    return lines + [grown(name, feed, random.Random(seed)) for name, feed in lives.items()]


if __name__ == "__main__":
    words = sys.argv[1:]
    seconds = float(words[0]) if words else SECONDS
    print("\n".join(run(seconds, int(words[1]) if len(words) > 1 else 1, words[2:])))
