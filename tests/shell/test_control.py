"""The control socket takes a fixed list of requests and survives anything else."""

from __future__ import annotations

import json
import socket
import stat
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.control import LONGEST_LINE_BYTES, ControlServer, ask, parse_request
from sootsayer.model import SootsayerError


class Heard:
    """A handler that keeps what it was asked."""

    def __init__(self) -> None:
        self.requests: list[Mapping[str, Any]] = []

    def __call__(self, request: Mapping[str, Any]) -> dict[str, Any]:
        self.requests.append(request)
        if request.get("text") == "refuse":
            raise SootsayerError("not today")
        return {"t_ms": 7}


@pytest.fixture
def heard() -> Heard:
    return Heard()


@pytest.fixture
def server(tmp_path: Path, heard: Heard) -> Iterator[Path]:
    path = tmp_path / "control.sock"
    listening = ControlServer(path, heard)
    listening.start()
    yield path
    listening.stop()


def say(path: Path, line: bytes) -> dict[str, Any]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        connection.settimeout(10)
        connection.connect(str(path))
        connection.sendall(line)
        connection.shutdown(socket.SHUT_WR)
        answer: dict[str, Any] = json.loads(connection.makefile("rb").readline())
    return answer


def test_a_request_is_handed_over_and_answered(server: Path, heard: Heard) -> None:
    assert ask(server, "mark", text="knocks uphill", author="driver") == {"t_ms": 7}
    assert heard.requests == [{"request": "mark", "text": "knocks uphill", "author": "driver"}]


def test_a_refusal_reaches_the_person_who_asked(server: Path) -> None:
    with pytest.raises(SootsayerError, match="not today"):
        ask(server, "mark", text="refuse")


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"\n",
        b"\xff\xfe\n",
        b"[]\n",
        b"[" * 5000 + b"\n",
        b"{}\n",
        b'{"request": "clear codes"}\n',
        b'{"request": ["mark"]}\n',
        b'{"request": "status", "service": "04"}\n',
        b'{"request": "mark", "text": 5}\n',
        b'{"request": "mark", "text": "' + b"x" * LONGEST_LINE_BYTES + b'"}\n',
    ],
)
def test_anything_else_is_refused_and_the_next_is_served(
    server: Path, heard: Heard, line: bytes
) -> None:
    answer = say(server, line)
    assert answer["ok"] is False and answer["error"]
    assert heard.requests == []
    assert ask(server, "status") == {"t_ms": 7}


@given(st.binary(max_size=200))
def test_no_bytes_do_more_than_be_refused(line: bytes) -> None:
    try:
        request = parse_request(line)
    except SootsayerError:
        return
    assert request["request"] in {"mark", "clock", "status"}


def test_only_owner_and_group_may_ask(server: Path) -> None:
    assert stat.S_IMODE(server.stat().st_mode) == 0o660


def test_a_second_recorder_is_refused_while_the_first_lives(server: Path, heard: Heard) -> None:
    with pytest.raises(SootsayerError, match="another recorder"):
        ControlServer(server, heard).start()


def test_what_a_killed_recorder_left_behind_is_replaced(tmp_path: Path, heard: Heard) -> None:
    path = tmp_path / "control.sock"
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as killed:
        killed.bind(str(path))
    server = ControlServer(path, heard)
    server.start()
    assert ask(path, "status") == {"t_ms": 7}
    server.stop()
    assert not path.exists()


def test_a_file_in_the_way_is_never_deleted(tmp_path: Path, heard: Heard) -> None:
    path = tmp_path / "control.sock"
    path.write_text("mine")
    with pytest.raises(SootsayerError, match="not a socket"):
        ControlServer(path, heard).start()
    assert path.read_text() == "mine"


def test_without_a_recorder_the_person_is_told_what_to_start(tmp_path: Path) -> None:
    with pytest.raises(SootsayerError, match="sootsayer watch"):
        ask(tmp_path / "none.sock", "status")
