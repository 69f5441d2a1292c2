"""One request and its reply: any cutting gives the same, no noise raises."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sootsayer.protocol.exchange import (
    MAX_REPLY_BYTES,
    OVERFLOW,
    STALE,
    Exchange,
    Reply,
    answers,
    request_bytes,
)
from sootsayer.protocol.headers import Frame, LinkKind
from sootsayer.protocol.older import merge
from sootsayer.protocol.remarks import Remark, names_adapter, read_line

COMMANDS = st.sampled_from(["0100", "012C2D0C", "03", "07", "0902", "010C1", "ATZ", "ATRV", "0632"])
KINDS = st.sampled_from([None, *LinkKind])
SCRAPS = st.sampled_from(
    b"7E804410C1AF8|7E8100F412C402D800C|7E8211AF80B5A1001F4|486B10410C1AF822|83F111412C4032"
    b"|18DAF11003410D32|7F0178|7E8037F0178|43|49020100|12.6V|OK|?|SEARCHING...|BUS INIT: ..."
    b"|NO DATA|<DATA ERROR|STOPPED|LV RESET|ERR94|\r|\r\n|\0| |>|\xff".split(b"|")
)
STREAMS = st.lists(SCRAPS | st.binary(max_size=6), max_size=25).map(b"".join)


def closed(command: str, kind: LinkKind | None, pieces: list[bytes]) -> Reply:
    talk = Exchange(command, kind)
    for piece in pieces:
        reply = talk.feed(piece)
        if reply is not None:
            return reply
    return talk.time_out()


def test_nothing_is_told_before_the_prompt() -> None:
    talk = Exchange("010C", LinkKind.CAN_11)
    assert talk.feed(b"7E804410C1AF8\r") is None
    reply = talk.feed(b"\r>left over")
    assert reply is not None and reply.complete
    assert reply.messages == (Frame("7E8", bytes.fromhex("410C1AF8")),)
    assert talk.rest == b"left over"


def test_an_endless_reply_ends() -> None:
    talk = Exchange("010C", LinkKind.CAN_11)
    reply = None
    fed = 0
    while reply is None:
        reply = talk.feed(b"7E804410C1AF8\r" * 100)
        fed += 1400
    assert fed <= MAX_REPLY_BYTES + 2800
    assert not reply.complete and reply.faults[OVERFLOW] == 1


@pytest.mark.parametrize(
    ("command", "payload", "expected"),
    [
        ("012C2D", "412C402D80", True),
        ("012C2D", "412D80", True),
        ("012C2D", "410C1AF8", False),
        ("012C2D", "412C400C1AF8", False),
        ("012C2D", "7F0112", True),
        ("012C2D", "7F0911", False),
        ("0902", "490201", True),
        ("0902", "490401", False),
        ("03", "4300", True),
        ("03", "4700", False),
        ("010C1", "410C1AF8", True),
        ("0100", "41", False),
    ],
)
def test_a_reply_belongs_to_its_request(command: str, payload: str, expected: bool) -> None:
    assert answers(request_bytes(command), bytes.fromhex(payload)) is expected


def test_a_stale_reply_is_counted_and_gone() -> None:
    reply = closed("012C", LinkKind.CAN_11, [b"7E803410D32\r7E803412C40\r\r>"])
    assert reply.messages == (Frame("7E8", bytes.fromhex("412C40")),)
    assert reply.faults[STALE] == 1


def test_settings_have_texts_and_no_messages() -> None:
    reply = closed("ATRV", None, [b"ATRV\r12.6V\r\r>"])
    assert (reply.texts, reply.messages, reply.remarks) == (("12.6V",), (), ())


@given(COMMANDS, KINDS, STREAMS, st.data())
@settings(max_examples=300, deadline=None)
def test_any_cutting_gives_the_same_reply(
    command: str, kind: LinkKind | None, stream: bytes, choice: st.DataObject
) -> None:
    whole = closed(command, kind, [stream])
    cuts = sorted(choice.draw(st.lists(st.integers(0, len(stream)), max_size=6)))
    bounds = [0, *cuts, len(stream)]
    pieces = [stream[a:b] for a, b in pairwise(bounds)]
    assert closed(command, kind, pieces) == whole
    assert closed(command, kind, [stream[i : i + 1] for i in range(len(stream))]) == whole
    for message in whole.messages:
        assert answers(request_bytes(command), message.body)


@given(st.text(max_size=40))
def test_no_line_of_text_raises(line: str) -> None:
    read_line(line)
    names_adapter(line)


@given(st.lists(st.tuples(st.sampled_from(["10", "11"]), st.binary(min_size=1, max_size=7))))
def test_no_messages_of_older_links_raise(messages: list[tuple[str, bytes]]) -> None:
    faults: Counter[str] = Counter()
    for frame in merge([Frame(unit, body) for unit, body in messages], faults):
        assert frame.body


def test_remarks_cut_off_what_they_spoil_only() -> None:
    said = read_line("7E8 04 41 0C 1A F8 <DATA ERROR")
    assert (said.remarks, said.rest) == ((Remark.DATA_ERROR,), ())
    said = read_line("SEARCHING...7E804410C1AF8")
    assert (said.remarks, said.rest) == ((Remark.SEARCHING,), ("7E804410C1AF8",))


@pytest.mark.parametrize("line", ["TINY V1.5", "OTHER-2 v2.1a", "ABC123 v1.0 (copy)"])
def test_an_adapter_that_starts_is_recognised(line: str) -> None:
    assert names_adapter(line)


@pytest.mark.parametrize("line", ["7E804410C1AF8", "NO DATA", "12.6V", "ACT ALERT", "OK", ""])
def test_other_lines_are_no_start(line: str) -> None:
    assert not names_adapter(line)
