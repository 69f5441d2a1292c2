"""Tells the service manager what the program is doing (the protocol of sd_notify(3)).

One datagram of ``KEY=VALUE`` lines to the socket named in ``$NOTIFY_SOCKET``; a leading ``@``
stands for the NUL byte of an abstract address. Without that variable every call does nothing,
so the callers need not know whether they run as a service.
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Mapping

log = logging.getLogger(__name__)


class Notifier:
    """``address``: path of the manager's socket, "" when there is none to tell."""

    def __init__(self, address: str) -> None:
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._failed = False

    @classmethod
    def from_environment(cls, environ: Mapping[str, str] = os.environ) -> Notifier:
        return cls(environ.get("NOTIFY_SOCKET", ""))

    def ready(self) -> None:
        self._send("READY=1")

    def status(self, text: str) -> None:
        """One line that the service manager shows."""
        self._send("STATUS=" + text.replace("\n", " "))

    def progress(self) -> None:
        """Feed the watchdog. To be called only where work has really been finished."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def _send(self, line: str) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
                sender.connect(self._address)
                sender.send(line.encode("utf-8"))
        except OSError as error:
            if not self._failed:  # once: the recording matters more than the telling
                log.warning("service manager cannot be told: %s", error)
            self._failed = True
