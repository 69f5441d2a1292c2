"""The service manager is told over a real datagram socket, of both kinds of address."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from sootsayer.notify import Notifier


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    """The address as the manager would put it into $NOTIFY_SOCKET, and its end of it."""
    if request.param == "path":
        address = bound = str(tmp_path / "notify")
    else:
        address = f"@sootsayer-test-{os.getpid()}"
        bound = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as receiver:
        receiver.bind(bound)
        receiver.settimeout(5)
        yield address, receiver


def test_each_call_is_one_datagram(manager: tuple[str, socket.socket]) -> None:
    address, receiver = manager
    notifier = Notifier.from_environment({"NOTIFY_SOCKET": address})
    notifier.ready()
    notifier.status("reading\n40 a second")
    notifier.progress()
    notifier.stopping()
    # The words are those of sd_notify(3).
    assert [receiver.recv(200) for _ in range(4)] == [
        b"READY=1",
        b"STATUS=reading 40 a second",
        b"WATCHDOG=1",
        b"STOPPING=1",
    ]


def test_without_a_manager_nothing_happens() -> None:
    Notifier.from_environment({}).ready()


def test_a_manager_that_is_gone_is_told_to_the_log_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    notifier = Notifier(str(tmp_path / "gone"))
    notifier.progress()
    notifier.progress()
    assert len(caplog.records) == 1
