"""A conversation with an adapter that restarts at awkward moments."""

from __future__ import annotations

import threading
from collections import Counter

import pytest

from sootsayer.clock import LogClock
from sootsayer.protocol.dialogue import Command
from sootsayer.sources.conversation import Conversation, SettingsLostError


class PieceByPiece:
    """A port that gives these pieces, one a read, then nothing."""

    def __init__(self, *pieces: bytes) -> None:
        self.pieces = list(pieces)
        self.sent: list[str] = []

    def send(self, line: str) -> None:
        self.sent.append(line)

    def read(self, *, wait: bool = True) -> bytes:
        return self.pieces.pop(0) if self.pieces else b""


def conversation(*pieces: bytes) -> tuple[Conversation, PieceByPiece]:
    port = PieceByPiece(*pieces)
    return Conversation(port, LogClock(0), threading.Event(), Counter()), port


@pytest.mark.parametrize("cut", [4, 9])
def test_a_name_that_comes_in_pieces_is_a_restart(cut: int) -> None:
    banner = b"\r\rTINY V1.0\r\r>"
    talk, _ = conversation(banner[:cut], banner[cut:])
    with pytest.raises(SettingsLostError):
        talk.wait_until(LogClock(0).now_ms() + 2_000)


def test_a_name_in_place_of_an_answer_is_a_restart() -> None:
    talk, port = conversation(b"", b"\r\rTINY V1.0\r\r>")
    with pytest.raises(SettingsLostError):
        talk.ask(Command("ATRV", 1.0))
    assert port.sent == ["ATRV"]


@pytest.mark.parametrize("text", ["ATZ", "ATI"])
def test_a_name_that_was_asked_for_is_none(text: str) -> None:
    talk, _ = conversation(b"", b"\r\rTINY V1.0\r\r>")
    assert talk.ask(Command(text, 1.0)).reply.texts == ("TINY V1.0",)


def test_what_was_left_over_before_a_good_answer_is_forgotten() -> None:
    talk, port = conversation(b"TINY ", b"14.1V\r\r>")
    assert talk.ask(Command("ATRV", 1.0)).reply.texts == ("14.1V",)
    port.pieces = [b"V1.0 of nothing\r"]
    talk.wait_until(LogClock(0).now_ms() + 10)
    assert talk.counters["byte nobody asked for"] > 5
