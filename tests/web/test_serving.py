from __future__ import annotations

import socket
import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.request import urlopen

import pytest

from sootsayer.model import SootsayerError
from sootsayer_web import serve
from sootsayer_web.limits import Limits
from sootsayer_web.serving import address_of
from web_serving import serving


def test_serves_before_there_is_an_archive(tmp_path: Path) -> None:
    with serving(tmp_path / "none.db", Limits.shipped()) as address:
        assert address.startswith("http://127.0.0.1:")
        with urlopen(f"{address}/", timeout=5) as answer:
            assert b"Nothing can be said yet." in answer.read()
            assert answer.headers["Server"] == "sootsayer"


def test_a_port_that_is_taken(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(SootsayerError, match=f"cannot listen on 127.0.0.1:{port}") as refused:
            serve(tmp_path / "none.db", "127.0.0.1", port, threading.Event())
        assert "\n" not in str(refused.value)


def test_a_host_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(SootsayerError, match="cannot listen on no such host:0"):
        serve(tmp_path / "none.db", "no such host", 0, threading.Event())


@pytest.mark.parametrize(
    ("server", "address"),
    [
        ({"effective_host": "127.0.0.1", "effective_port": 8080}, "http://127.0.0.1:8080"),
        ({"effective_host": "0.0.0.0", "effective_port": 80}, "http://127.0.0.1:80"),
        ({"effective_listen": [("::1", 8080), ("127.0.0.1", 8080)]}, "http://[::1]:8080"),
    ],
)
def test_the_address_to_open(server: dict[str, Any], address: str) -> None:
    assert address_of(SimpleNamespace(**server)) == address
