"""The recorder's Unix socket: the few things that a person may ask of it.

One request and one answer per connection, each one line of JSON. A request is
``{"request": NAME, …}``; the answer is ``{"ok": true, …}`` or ``{"ok": false, "error": TEXT}``.
The requests are a fixed list (`REQUESTS`); nothing that arrives here can reach the car.
"""

from __future__ import annotations

import json
import logging
import socket
import stat
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from sootsayer.model import SootsayerError

log = logging.getLogger(__name__)

Answer = dict[str, Any]
Handler = Callable[[Mapping[str, Any]], Answer]

# What may be asked, and the keys that each request takes beside "request".
REQUESTS: Mapping[str, frozenset[str]] = {
    "mark": frozenset({"text", "author"}),
    "clock": frozenset({"wall_ms"}),  # what a phone's clock says, Unix time in ms as text
    "repair": frozenset({"text"}),
    "found": frozenset({"check", "outcome"}),
    # Readings that an evidence pack refers to: "START:END …" in log ms, of the archive at a path.
    "hold": frozenset({"archive", "spans", "reason"}),
    "status": frozenset(),
}
LONGEST_LINE_BYTES = 8192  # a remark is a few hundred; more is a mistake or mischief
PATIENCE_S = 5.0  # a client that says nothing must not hold up the next one for longer
SOCKET_MODE = 0o660  # owner and group: the dashboard's user is in the group


class ControlServer:
    """Listens at ``path`` from `start` to `stop`; ``handle`` gets requests of known form.

    ``handle`` runs in this server's thread and may raise SootsayerError, which becomes the
    answer. Requests are taken one at a time.
    """

    def __init__(self, path: Path, handle: Handler) -> None:
        self._path = path
        self._handle = handle
        self._stopping = threading.Event()
        self._listener: socket.socket | None = None
        self._thread = threading.Thread(target=self._serve, name="control", daemon=True)

    def start(self) -> None:
        """Raises SootsayerError when another recorder listens there or the path is unusable."""
        self._listener = _listen(self._path)
        self._thread.start()

    def stop(self) -> None:
        if self._listener is None:
            return
        self._stopping.set()
        self._listener.shutdown(socket.SHUT_RDWR)  # wakes the accept() below
        self._thread.join()
        self._listener.close()
        self._path.unlink(missing_ok=True)

    def _serve(self) -> None:
        assert self._listener is not None
        while not self._stopping.is_set():
            try:
                connection, _ = self._listener.accept()
            except OSError:
                if not self._stopping.is_set():
                    log.exception("control socket %s failed", self._path)
                return
            with connection:
                self._serve_one(connection)

    def _serve_one(self, connection: socket.socket) -> None:
        connection.settimeout(PATIENCE_S)
        try:
            answer = self._answer(_read_line(connection))
            connection.sendall(json.dumps(answer).encode("utf-8") + b"\n")
        except OSError as error:
            log.info("control client went away: %s", error)

    def _answer(self, line: bytes) -> Answer:
        try:
            return {"ok": True, **self._handle(parse_request(line))}
        except SootsayerError as error:
            return {"ok": False, "error": str(error)}


def parse_request(line: bytes) -> dict[str, Any]:
    """The request in ``line``. Raises SootsayerError for anything not in `REQUESTS`."""
    try:
        request = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise SootsayerError(f"request is not one line of JSON: {error}") from error
    if not isinstance(request, dict) or not all(isinstance(v, str) for v in request.values()):
        raise SootsayerError("request is not an object whose values are all text")
    name = request.get("request", "")
    if name not in REQUESTS:
        raise SootsayerError(f"unknown request {name!r}; known are {', '.join(REQUESTS)}")
    extra = set(request) - {"request"} - REQUESTS[name]
    if extra:
        raise SootsayerError(f"request {name} takes no {', '.join(sorted(extra))}")
    return request


def ask(path: Path, request: str, **words: str) -> Answer:
    """Ask the recorder at ``path`` and wait for its answer, "ok" taken off.

    Raises SootsayerError when no recorder listens there or it refuses.
    """
    line = json.dumps({"request": request, **words}).encode("utf-8") + b"\n"
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
            connection.settimeout(2 * PATIENCE_S)
            connection.connect(str(path))
            connection.sendall(line)
            answer: Answer = json.loads(_read_line(connection))
    except (OSError, ValueError) as error:
        raise SootsayerError(
            f"no recorder answers at {path} ({error}); start one with: sootsayer watch"
        ) from error
    if not answer.pop("ok", False):
        raise SootsayerError(str(answer.get("error", "the recorder refused without a reason")))
    return answer


def _read_line(connection: socket.socket) -> bytes:
    """The first line, without its end. What exceeds the limit is cut and will not parse."""
    received = b""
    while b"\n" not in received and len(received) < LONGEST_LINE_BYTES:
        piece = connection.recv(4096)
        if not piece:
            break
        received += piece
    return received.split(b"\n")[0]


def _listen(path: Path) -> socket.socket:
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        _remove_stale(path)
        listener.bind(str(path))
        path.chmod(SOCKET_MODE)
        listener.listen(8)
    except OSError as error:
        listener.close()
        raise SootsayerError(
            f"control socket {path} cannot be made: {error.strerror or error}; "
            "name another with [control] socket in the settings"
        ) from error
    except SootsayerError:
        listener.close()
        raise
    return listener


def _remove_stale(path: Path) -> None:
    """Take away what a killed recorder left behind, but nothing that is alive or not ours."""
    if not path.exists():
        return
    if not stat.S_ISSOCK(path.stat().st_mode):
        raise SootsayerError(f"control socket {path} is in the way: it is not a socket; move it")
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as probe:
        try:
            probe.connect(str(path))
        except ConnectionRefusedError:
            path.unlink()
            return
    raise SootsayerError(f"another recorder already listens at {path}; stop that one first")
