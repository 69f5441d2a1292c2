"""The dashboard on a free port of this machine, for as long as a test needs it."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sootsayer_web import serve
from sootsayer_web.limits import Limits

WEB = Path(__file__).resolve().parents[1] / "web"
READY_S = 10


@contextmanager
def serving(archive: Path, limits: Limits) -> Iterator[str]:
    """The dashboard on a free port of this machine; yields its address."""
    stop, is_ready = threading.Event(), threading.Event()
    addresses: list[str] = []

    def ready(address: str) -> None:
        addresses.append(address)
        is_ready.set()

    thread = threading.Thread(target=serve, args=(archive, "127.0.0.1", 0, stop, ready, limits))
    thread.start()
    try:
        assert is_ready.wait(READY_S), "the dashboard did not come up"
        yield addresses[0]
    finally:
        stop.set()
        thread.join(READY_S)
        assert not thread.is_alive(), "the dashboard did not go down"
