"""The dashboard on a socket: waitress, with a thread for every open stream and some to spare."""

from __future__ import annotations

import ctypes
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import waitress
from waitress import wasyncore

from sootsayer.model import SootsayerError
from sootsayer_web.app import create_app
from sootsayer_web.limits import Limits

M_ARENA_MAX = -8  # the number of this option in glibc's malloc.h
REQUEST_MOST_BYTES = 10_000  # of a request's body: the largest is a moment and a token
LOOK_AT_STOP_S = 0.5  # how long a quiet server takes to see that it should end


def serve(
    archive: Path,
    host: str,
    port: int,
    stop: threading.Event,
    ready: Callable[[str], None] = lambda address: None,
    limits: Limits | None = None,
    control: Path | None = None,
) -> None:
    """Serve the dashboard until ``stop`` is set. Blocks.

    ``control``: the recorder's socket [beside the archive].

    ``ready`` is called once with the address to open, when connections are accepted; with
    ``port`` 0 the system chooses one. Raises SootsayerError if the address cannot be had.
    """
    share_one_heap()
    chosen = limits or Limits.shipped()
    sockets: dict[int, Any] = {}
    app = create_app(archive, limits=chosen, stop=stop, control=control)
    server = _listen(app, host, port, chosen.streams + chosen.page_threads, sockets)
    try:
        ready(address_of(server))
        while not stop.is_set():
            wasyncore.loop(timeout=LOOK_AT_STOP_S, use_poll=True, map=sockets, count=1)
    finally:
        stop.set()
        server.task_dispatcher.shutdown()
        wasyncore.close_all(sockets)


def share_one_heap() -> None:
    """Let all threads take memory from one heap, where the C library can be told so.

    glibc gives each thread a heap of its own that never shrinks: measured 86 MB instead of 67 MB
    after 300 pages over sixteen threads. Python's threads take turns anyway.
    """
    tell = getattr(ctypes.CDLL(None), "mallopt", None)
    if tell is not None:
        tell(M_ARENA_MAX, 1)


def _listen(app: Any, host: str, port: int, threads: int, sockets: dict[int, Any]) -> Any:
    try:
        return waitress.create_server(
            app,
            map=sockets,
            host=host,
            port=port,
            threads=threads,
            ident="sootsayer",
            max_request_body_size=REQUEST_MOST_BYTES,
            channel_request_lookahead=1,  # needed to see that a browser has gone
        )
    except (OSError, ValueError) as error:
        raise SootsayerError(
            f"dashboard: cannot listen on {host}:{port}: {error}; "
            "choose another port, or end what holds this one"
        ) from error


def address_of(server: Any) -> str:
    """What to type into a browser on this machine. Several sockets: the first one."""
    listen = getattr(server, "effective_listen", None)
    host, port = listen[0] if listen else (server.effective_host, server.effective_port)
    shown = "127.0.0.1" if host in ("0.0.0.0", "::") else host
    return f"http://[{shown}]:{port}" if ":" in shown else f"http://{shown}:{port}"
