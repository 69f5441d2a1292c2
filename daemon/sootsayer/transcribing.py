"""`sootsayer record`: the recorder's own conversation with an adapter, kept as a transcript.

Everything sent and received stands in it with its time, what the source made of it as remarks,
and a head that says with what it was made. It can be sent, judged, and kept as a test.
"""

from __future__ import annotations

import platform
import threading
from collections.abc import Callable
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from sootsayer import __version__
from sootsayer.clock import Deadline, LogClock, wall_ms
from sootsayer.model import Identity, SootsayerError, SourceEvent, SourceStatus
from sootsayer.protocol.masking import ASKS_NUMBER, REPLY, masked
from sootsayer.protocol.transcript import HEAD, escaped, turn_line
from sootsayer.sources.adapter_settings import SerialSettings, serial_settings
from sootsayer.sources.serial_adapter import SerialSource
from sootsayer.units import MS_PER_S

PROMPT = b">"
LONGEST_PIECE_BYTES = 4096  # an adapter that chatters without a prompt is written in such pieces
MASKED_TURNS = 2  # the vehicle's number may still come with the request after the one for it
WATCH_S = 0.25


class Transcriber:
    """Writes what a tap hears. ``now_ms`` counts from the start of the recording."""

    def __init__(self, out: TextIO, now_ms: Callable[[], int], *, show_vin: bool = False) -> None:
        self._out = out
        self._now_ms = now_ms
        self._show_vin = show_vin
        self._lock = threading.Lock()
        self._pending = b""
        self._came_ms = 0
        self._masking = 0
        self.turns = 0

    def tap(self, direction: str, content: bytes) -> None:
        """What a port sent or received, as it went over the wire."""
        with self._lock:
            if direction == "sent":
                self._sent(content)
            else:
                self._received(content)

    def remark(self, words: str) -> None:
        with self._lock:
            self._flush()
            self._out.write(f"# {words}\n")

    def close(self) -> None:
        with self._lock:
            self._flush()

    def _sent(self, content: bytes) -> None:
        self._flush()
        text = content.rstrip(b"\r").decode("ascii", "replace")
        self._out.write(turn_line(self._now_ms(), ">", text) + "\n")
        self.turns += 1
        self._masking = MASKED_TURNS if text.startswith(ASKS_NUMBER) else max(0, self._masking - 1)

    def _received(self, content: bytes) -> None:
        if not self._pending:
            self._came_ms = self._now_ms()
        self._pending += content
        if PROMPT in content or len(self._pending) > LONGEST_PIECE_BYTES:
            self._flush()

    def _flush(self) -> None:
        if not self._pending:
            return
        stream, self._pending = self._pending, b""
        if not self._show_vin and (self._masking or _holds_number(stream)):
            stream = masked(stream)
        self._out.write(turn_line(self._came_ms, "<", escaped(stream)) + "\n")


def _holds_number(stream: bytes) -> bool:
    return REPLY.hex().encode() in stream.replace(b" ", b"").lower()


def head(port: str, settings: SerialSettings, started_ms: int) -> str:
    """The first lines: what the file is, with what it was made, when, at which port."""
    started = datetime.fromtimestamp(started_ms / MS_PER_S, UTC)
    lines = [
        HEAD,
        f"# started: {started.isoformat(timespec='milliseconds').replace('+00:00', 'Z')}",
        f"# version: {__version__}",
        f"# python: {platform.python_version()} on {platform.system()} {platform.machine()}",
        f"# port: {port}",
    ]
    lines += [f"# setting {f.name} = {getattr(settings, f.name)}" for f in fields(settings)]
    return "\n".join(lines) + "\n"


def record(
    port: str,
    out: Path,
    stop: threading.Event,
    *,
    seconds: float | None = None,
    show_vin: bool = False,
    tell: Callable[[str], None] = lambda words: None,
) -> int:
    """Record until ``stop`` is set or the time is over; the number of requests that were sent.

    ``tell`` hears changes of state. Raises SootsayerError when the file exists or cannot be made.
    """
    clock = LogClock(0)
    start_ms = clock.now_ms()
    settings = serial_settings()
    try:
        file = out.open("x", encoding="utf-8", newline="\n")
    except FileExistsError:
        raise SootsayerError(f"transcript {out} exists already; name a new file") from None
    except OSError as trouble:
        raise SootsayerError(
            f"transcript {out} cannot be written: {trouble.strerror}; choose another folder"
        ) from trouble
    with file:
        file.write(head(port, settings, wall_ms()))
        transcriber = Transcriber(file, lambda: clock.now_ms() - start_ms, show_vin=show_vin)

        def hear(event: SourceEvent) -> None:
            words = _remark(event, show_vin=show_vin)
            if words:
                transcriber.remark(words)
            if isinstance(event, SourceStatus):
                tell(f"{event.state}: {event.reason}")

        source = SerialSource(port, clock, settings, transcriber.tap)
        _run(source, hear, stop, seconds)
        transcriber.close()
        return transcriber.turns


def _run(
    source: SerialSource,
    hear: Callable[[SourceEvent], None],
    stop: threading.Event,
    seconds: float | None,
) -> None:
    """The source in a thread of its own, so that this one may watch the time."""
    thread = threading.Thread(target=source.run, args=(hear, stop), name="record", daemon=True)
    thread.start()
    deadline = None if seconds is None else Deadline(seconds)
    while thread.is_alive() and not stop.wait(WATCH_S):
        if deadline is not None and deadline.passed():
            stop.set()
    stop.set()
    thread.join()


def _remark(event: SourceEvent, *, show_vin: bool) -> str:
    """What is worth a remark; "" for readings, which stand in the lines themselves."""
    if isinstance(event, SourceStatus):
        counts = ", ".join(f"{count} × {what}" for what, count in sorted(event.counters.items()))
        return f"{event.source} {event.state}: {event.reason}" + (f" ({counts})" if counts else "")
    if isinstance(event, Identity) and (show_vin or event.key != "vin"):
        return f"{event.unit} says {event.key} = {event.value}"
    return ""
