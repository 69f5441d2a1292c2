"""Nothing but settings of the adapter and allowed requests can reach a wire."""

from __future__ import annotations

import ast
import os
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import sootsayer
from sootsayer.protocol.dialogue import SETTINGS
from sootsayer.sources.allow import ForbiddenError, ReadOnlyPort, check, is_request, is_setting

ALLOWED_SERVICES = {"01", "02", "03", "06", "07", "09", "0A"}


@pytest.mark.parametrize(
    "line",
    [
        "0100",
        "012C2D0C0B1011",
        "010C1",
        "020200",
        "03",
        "07",
        "0A",
        "0631",
        "0902",
        "ATZ",
        "ATI",
        "ATRV",
        "ATDPN",
        "ATPC",
        "ATST32",
        "ATSP0",
        "ATSP6",
        *SETTINGS,
    ],
)
def test_what_we_need_may_pass(line: str) -> None:
    assert check(line.encode() + b"\r") == line


@pytest.mark.parametrize(
    "line",
    [
        "04",  # clears codes
        "041",
        "0400",
        "05",
        "0801",  # control of a component
        "10 03",
        "14FFFFFF",
        "22F40C",
        "2EF190",
        "3101",
        "01",
        "0",
        "010",
        "0101020304050607",  # seven PIDs
        "0202",  # a freeze frame without its number
        "0300",
        "09",
        "ATSH7E0",
        "ATCAF0",
        "ATFCSH7E0",
        "ATMA",
        "ATPP0CSV23",
        "ATBRD23",
        "ATSW92",
        "ATWM",
        "ATLP",
        "ATRTR",
        "ATSPB",
        "ATCP18",
        "STPX",
        "atz",
        " 0100",
        "0100 ",
        "0100\r04",
        "0100\n",
        "",
        "ATZ\r\r",
    ],
)
def test_everything_else_is_refused(line: str) -> None:
    with pytest.raises(ForbiddenError):
        check(line.encode() + b"\r\r"[: 1 if line else 2])


@pytest.mark.parametrize("written", [b"", b"0100", b"01\xb20\r", b"\r\r", b"\n"])
def test_anything_but_one_whole_line_is_refused(written: bytes) -> None:
    with pytest.raises(ForbiddenError):
        check(written)


def test_a_bare_return_may_stop_the_adapter() -> None:
    assert check(b"\r") == ""


@given(st.binary(max_size=20))
def test_any_bytes_pass_only_as_setting_or_allowed_service(written: bytes) -> None:
    try:
        line = check(written)
    except ForbiddenError:
        return
    assert line == "" or line[:2] == "AT" or line[:2] in ALLOWED_SERVICES


LINES = st.text("0123456789ABCDEFATZSPR \r", max_size=16)


@given(LINES, st.sampled_from(["", "01", "04", "AT", "08"]))
def test_lines_that_look_right_pass_only_when_they_are(line: str, start: str) -> None:
    text = start + line
    if is_request(text):
        assert text[:2] in ALLOWED_SERVICES and "\r" not in text and " " not in text
    try:
        check(text.encode() + b"\r")
    except ForbiddenError:
        assert text != "" and not is_request(text) and not is_setting(text)


# ---------------------------------------------------------------- a real port


@pytest.fixture
def pair() -> Iterator[tuple[int, ReadOnlyPort]]:
    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    os.set_blocking(master, False)
    port = ReadOnlyPort(os.ttyname(slave), 38400)
    yield master, port
    port.close()
    os.close(master)
    os.close(slave)


def on_wire(master: int) -> bytes:
    try:
        return os.read(master, 4096)
    except BlockingIOError:
        return b""


@pytest.mark.parametrize("line", ["04", "0801", "ATSH7E0", "0100\r04", "01ÿ", "ATMA"])
def test_not_a_byte_of_a_forbidden_line_is_written(
    pair: tuple[int, ReadOnlyPort], line: str
) -> None:
    master, port = pair
    os.write(master, b">")
    port.read()
    with pytest.raises(ForbiddenError):
        port.send(line)
    assert on_wire(master) == b""


def test_a_request_waits_for_the_prompt(pair: tuple[int, ReadOnlyPort]) -> None:
    master, port = pair
    with pytest.raises(ForbiddenError):
        port.send("0104")  # a busy adapter could take the first half away: 04 clears codes
    assert on_wire(master) == b""
    port.send("ATZ")
    assert on_wire(master) == b"ATZ\r"
    os.write(master, b"TINY V1.0\r\r>\r\n")
    assert port.read() == b"TINY V1.0\r\r>\r\n"
    port.send("0104")
    assert on_wire(master) == b"0104\r"
    with pytest.raises(ForbiddenError):
        port.send("0104")


def test_a_port_gives_no_other_way_out(pair: tuple[int, ReadOnlyPort]) -> None:
    _, port = pair
    public = {name for name in dir(port) if not name.startswith("_")}
    assert public == {"send", "read", "close"}


def test_only_this_module_of_the_recorder_opens_serial_ports() -> None:
    root = Path(sootsayer.__file__).parent
    importers = set()
    for path in root.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names: list[str] = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            if any(name == "serial" or name.startswith("serial.") for name in names):
                importers.add(str(path.relative_to(root)))
    assert importers == {"sources/allow.py"}
