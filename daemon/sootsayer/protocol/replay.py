"""What we make of a transcript, as text: how a recording that shows trouble becomes a test."""

from __future__ import annotations

from collections.abc import Generator, Iterator

from sootsayer.model import CodeSeen, CodesRead, Identity, Reading, Sample, SourceEvent
from sootsayer.protocol import dialogue
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.protocol.dialogue import Car, Command
from sootsayer.protocol.exchange import Reply
from sootsayer.protocol.headers import LinkKind
from sootsayer.protocol.transcript import Overhearer, Part, exchange, parse


def _value(sample: Sample) -> str:
    """Counts and bits to the last digit, quantities as one reads them."""
    scaling = sample.scaling
    if scaling.scale == 1 and not scaling.offset:
        return f"{sample.channel} {sample.raw} {scaling.unit}".rstrip()
    value = sample.raw * scaling.scale + scaling.offset
    return f"{sample.channel} {value:.6g} {scaling.unit}".rstrip()


def _event(event: SourceEvent) -> str:
    match event:
        case Reading():
            return f"reading {event.unit}: {', '.join(map(_value, event.samples))}"
        case CodeSeen():
            return f"code {event.unit}: {event.code} {event.status}"
        case CodesRead():
            return f"codes {event.unit}: {event.count} {event.status}"
        case Identity():
            return f"identity {event.unit}: {event.key} = {event.value}"
    return str(event)


def _told(reply: Reply, decoder: ReplyDecoder) -> Iterator[str]:
    yield f"> {reply.command}".rstrip()
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


def _start(run: str) -> Generator[Command, Reply, object]:
    name, _, rest = run.partition(" ")
    if name == "try_out":
        car = Car(LinkKind.CAN_11, "6", ("7E8",))
        return dialogue.try_out(car, "7E8", bytes.fromhex(rest))
    return dialogue.set_up() if name == "set_up" else dialogue.find_car()


def _run(part: Part, decoder: ReplyDecoder, step: int) -> Iterator[str]:
    steps = _start(part.run)
    yield f"run {part.run}"
    try:
        command = next(steps)
        for turn in part.turns:
            if turn.request != command.text:
                yield f"asked {command.text}, the transcript has {turn.request}"
                return
            reply = exchange(turn, command.kind, step)
            yield from _told(reply, decoder)
            command = steps.send(reply)
        yield f"wants to ask {command.text}"
    except StopIteration as end:
        yield f"found {end.value}"


def replay(text: str, step: int = 65536) -> str:
    """What the dialogue and the decoder make of a transcript, bytes fed ``step`` at a time.

    Raises ValueError naming the line that means nothing.
    """
    decoder = ReplyDecoder()
    lines: list[str] = []
    for part in parse(text).parts:
        if part.run:
            lines += _run(part, decoder, step)
            continue
        if part.link is not None:
            lines.append(f"link {part.link}")
        for _, reply in Overhearer(part.turns, part.link).replies(step):
            lines += _told(reply, decoder)
    lines += [f"counted {what}: {count}" for what, count in sorted(decoder.counters.items())]
    return "\n".join(lines) + "\n"
