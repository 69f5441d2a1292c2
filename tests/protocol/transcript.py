"""Reads and replays transcripts: what was asked, what came, what we make of it.

A transcript is text:
  ``# …``         remark
  ``@link NAME``  kind of link of the requests that follow (a name of LinkKind)
  ``@run PART``   drive a part of the dialogue (set_up, find_car, try_out PIDS) with the blocks
                  that follow; the request after ``>`` must then be the one it makes
  ``> LINE``      a request
  ``< TEXT``      what comes back, with \\r \\n \\0 \\xNN; several lines are one stream
A block without a prompt at its end is one that times out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from sootsayer.model import CodeSeen, CodesRead, Identity, Reading, SourceEvent
from sootsayer.protocol import dialogue
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.protocol.dialogue import Car
from sootsayer.protocol.exchange import Exchange, Reply
from sootsayer.protocol.headers import LinkKind


@dataclass
class Block:
    request: str
    stream: bytes = b""


@dataclass
class Part:
    """Blocks that belong together: a run of the dialogue, or requests on one link."""

    run: str = ""
    link: LinkKind | None = None
    blocks: list[Block] = field(default_factory=list)


def parse(text: str) -> list[Part]:
    parts = [Part()]
    for line in text.splitlines():
        word, _, rest = line.partition(" ")
        if word == "@link":
            parts.append(Part(link=LinkKind[rest.strip()]))
        elif word == "@run":
            parts.append(Part(run=rest.strip()))
        elif word == ">":
            parts[-1].blocks.append(Block(rest.strip()))
        elif word == "<":
            piece = rest.encode("latin-1").decode("unicode_escape").encode("latin-1")
            parts[-1].blocks[-1].stream += piece
        elif word and word != "#":
            raise ValueError(f"line {line!r} of a transcript means nothing")
    return [part for part in parts if part.blocks]


def exchange(block: Block, kind: LinkKind | None, step: int) -> Reply:
    """Feed the stream ``step`` bytes at a time."""
    talk = Exchange(block.request, kind)
    for at in range(0, len(block.stream), step):
        reply = talk.feed(block.stream[at : at + step])
        if reply is not None:
            return reply
    return talk.time_out()


def _event(event: SourceEvent) -> str:
    match event:
        case Reading():
            values = ", ".join(
                f"{s.channel} {s.raw * s.scaling.scale + s.scaling.offset:.6g} {s.scaling.unit}"
                for s in event.samples
            )
            return f"reading {event.unit}: {values}".rstrip()
        case CodeSeen():
            return f"code {event.unit}: {event.code} {event.status}"
        case CodesRead():
            return f"codes {event.unit}: {event.count} {event.status}"
        case Identity():
            return f"identity {event.unit}: {event.key} = {event.value}"
    return str(event)


def told(reply: Reply, decoder: ReplyDecoder) -> Iterator[str]:
    yield f"> {reply.command}"
    for text in reply.texts:
        yield f"  text {text}"
    for message in reply.messages:
        yield f"  message {message.unit} {message.body.hex().upper()}"
        for event in decoder.feed(0, message.unit, message.body):
            yield f"    {_event(event)}"
    for remark in reply.remarks:
        yield f"  remark {remark}"
    for fault, count in sorted(reply.faults.items()):
        yield f"  fault {fault}: {count}"
    if not reply.complete:
        yield "  no prompt"


def _start(run: str) -> dialogue.Steps:
    name, _, rest = run.partition(" ")
    if name == "try_out":
        car = Car(LinkKind.CAN_11, "6", ("7E8",))
        return dialogue.try_out(car, "7E8", bytes.fromhex(rest))
    return {"set_up": dialogue.set_up, "find_car": dialogue.find_car}[name]()


def _run(part: Part, decoder: ReplyDecoder, step: int) -> Iterator[str]:
    steps = _start(part.run)
    yield f"run {part.run}"
    blocks: Sequence[Block] = part.blocks
    try:
        command = next(steps)
        for block in blocks:
            if block.request != command.text:
                yield f"asked {command.text}, the transcript has {block.request}"
                return
            reply = exchange(block, command.kind, step)
            yield from told(reply, decoder)
            command = steps.send(reply)
        yield f"wants to ask {command.text}"
    except StopIteration as end:
        yield f"found {end.value}"


def replay(text: str, step: int = 65536) -> str:
    """What the dialogue makes of a transcript, as text."""
    decoder = ReplyDecoder()
    lines: list[str] = []
    for part in parse(text):
        if part.run:
            lines += _run(part, decoder, step)
            continue
        if part.link is not None:
            lines.append(f"link {part.link}")
        for block in part.blocks:
            lines += told(exchange(block, part.link, step), decoder)
    return "\n".join(lines) + "\n"
