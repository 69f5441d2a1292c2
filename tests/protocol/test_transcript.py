"""Transcripts are read back as they were written, and hide the vehicle's number."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.protocol.exchange import Exchange
from sootsayer.protocol.headers import LinkKind
from sootsayer.protocol.masking import masked
from sootsayer.protocol.replay import replay
from sootsayer.protocol.transcript import HEAD, escaped, parse, turn_line, unescaped


@given(st.binary(max_size=200))
def test_bytes_survive_being_written(stream: bytes) -> None:
    text = escaped(stream)
    assert text.isascii() and text.isprintable()
    assert unescaped(text) == stream


@given(st.integers(0, 10**9), st.binary(max_size=60))
def test_a_turn_survives_being_written(t_ms: int, stream: bytes) -> None:
    text = f"{turn_line(t_ms, '>', '010C')}\n{turn_line(t_ms + 20, '<', 'x' + escaped(stream))}\n"
    (part,) = parse(text).parts
    (turn,) = part.turns
    assert (turn.request, turn.sent_ms, turn.came_ms) == ("010C", t_ms, t_ms + 20)
    assert turn.t_ms == t_ms + 10
    # blanks at the very end of a line are not kept; an adapter ends with a prompt
    assert turn.stream == b"x" + stream.rstrip(b" ")


def test_facts_come_from_the_head() -> None:
    found = parse(f"{HEAD}\n# started: 2026-11-24T07:30:00Z\n# port: /dev/ttyUSB0\n> ATI\n< X\n")
    assert found.facts == {"started": "2026-11-24T07:30:00Z", "port": "/dev/ttyUSB0"}


@pytest.mark.parametrize(
    "line", ["hello", "@link NONE", "< \\xZZ", "12.5 ? 010C", "@run try_out 0G", "@run x"]
)
def test_a_line_that_means_nothing_is_named(line: str) -> None:
    with pytest.raises(ValueError, match=r"^line 2: .* means nothing$"):
        parse(f"# head\n{line}\n")


@given(st.text(max_size=200))
def test_no_text_does_anything_but_be_read_or_refused(text: str) -> None:
    try:
        replay(text)
    except ValueError as refusal:
        assert "means nothing" in str(refusal)


def test_a_request_that_is_none_is_shown_and_gives_nothing() -> None:
    assert "reading" not in replay("@link ISO_9141\n> 010CXY\n< 486B10410C1AF822\\r\\r>\n")


def test_the_link_is_found_in_the_conversation() -> None:
    text = "> 0100\n< SEARCHING...\\r486B104100BE3EB8110A\\r\\r>\n> ATDPN\n< A3\\r\\r>\n"
    text += "> 010C\n< 486B10410C1AF822\\r\\r>\n"
    assert "reading 10: rpm 1726 rpm" in replay(text)


# ---------------------------------------------------------------- the vehicle's number

ANSWERS = {
    # the same number over every link, as tests/transcripts has it
    LinkKind.CAN_11: "7E81014490201534F4F\r7E82154534159455244\r7E822454D3043415231\r\r>",
    LinkKind.CAN_29: "18DAF1101014490201534F4F\r18DAF1102154534159455244\r"
    "18DAF11022454D3043415231\r\r>",
    LinkKind.ISO_9141: "486B104902010000005362\r486B104902024F4F545355\r486B104902034159455242\r"
    "486B1049020444454D3018\r486B10490205434152311A\r\r>",
    LinkKind.J1850: "486B1049020100000053C7\r486B104902024F4F545310\r486B104902034159455277\r"
    "486B1049020444454D3049\r486B1049020543415231DB\r\r>",
}


@pytest.mark.parametrize("kind", ANSWERS, ids=lambda kind: kind.name)
@pytest.mark.parametrize("spaced", [False, True])
def test_the_number_is_gone_and_the_rest_still_replays(kind: LinkKind, spaced: bool) -> None:
    text = ANSWERS[kind]
    if spaced:
        text = re.sub(r"([0-9A-F]{2})(?=(?:[0-9A-F]{2})+\r)", r"\1 ", text)
    stream = masked(text.encode())
    assert len(stream) == len(text)
    clear = Exchange("0902", kind).feed(text.encode())
    hidden = Exchange("0902", kind).feed(stream)
    assert clear is not None and hidden is not None
    assert clear.messages[0].body.endswith(b"SOOTSAYERDEM0CAR1")
    assert hidden.messages[0].body.endswith(b"X" * 17)
    assert not hidden.faults


@pytest.mark.parametrize(
    "text",
    [
        "014 \r0: 49 02 01 53 4F 4F \r1: 54 53 41 59 45 52 44 \r2: 45 4D 30 43 41 52 31 \r\r>",
        "490201534F4F545341594552\r>",
        "7E81014490201534F4F<DATA ERROR\r7E821545341\r>",
        "7E8101449020153\r>",
    ],
)
def test_forms_we_cannot_check_are_hidden_as_well(text: str) -> None:
    digits = masked(text.encode()).decode().replace(" ", "")
    for piece in ("534F4F", "545341", "454D30", "594552"):
        assert piece not in digits


@pytest.mark.parametrize("text", ["NO DATA\r\r>", "7E8037F0978\r\r>", "0902\r?\r>", ""])
def test_answers_without_a_number_stay_as_they_are(text: str) -> None:
    assert masked(text.encode()) == text.encode()


@given(st.binary(max_size=100))
def test_masking_never_raises_and_keeps_the_lines(stream: bytes) -> None:
    found = masked(stream)
    assert found.count(b"\r") == stream.count(b"\r")
    assert found.count(b">") == stream.count(b">")
