"""One stay at a car, as long as a survey needs, over any source, with added sensors beside."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from pathlib import Path

from sootsayer.clock import Deadline, LogClock, boottime_ms, wall_ms
from sootsayer.live.source_thread import Source
from sootsayer.model import SootsayerError, SourceEvent, SourceState, SourceStatus

OVER = frozenset({SourceState.UNPLUGGED, SourceState.KEY_OFF, SourceState.SILENT})
PATIENCE_S = 60.0  # adapter's reset and search over all links, slow starts included
NO_ADAPTER = "no adapter answers"  # told as "connecting", tried again for ever by the source


class Stay:
    """Collects what one source emits; ``done`` is set when there is nothing to wait for."""

    def __init__(self) -> None:
        self.events: list[SourceEvent] = []
        self.done = threading.Event()
        self.reading = threading.Event()
        self.trouble = ""

    def hear(self, event: SourceEvent) -> None:
        self.events.append(event)
        if not isinstance(event, SourceStatus):
            return
        if event.state is SourceState.READING:
            self.reading.set()
        elif event.state in OVER or NO_ADAPTER in event.reason:
            self.trouble = event.reason
            self.done.set()


MakeSource = Callable[[LogClock], Source]


def stay(
    make_source: MakeSource | None,
    seconds: float,
    progress: Callable[[float, float], None] = lambda done, total: None,
    rate: float = 1.0,
    beside: Sequence[MakeSource] = (),
) -> list[SourceEvent]:
    """Everything the sources emit within ``seconds`` of log time from the first contact.

    ``make_source`` reads the car; None: only what is ``beside`` it is read. The car is left alone
    afterwards. ``progress`` hears seconds done, of how many. Raises SootsayerError with the
    source's own words when the car cannot be reached; what is beside it may be silent. A car that
    falls asleep after it was reached ends the stay early.
    """
    clock = LogClock(wall_ms() - boottime_ms(), rate)
    heard, stop = Stay(), threading.Event()
    hearing: list[tuple[Source, Callable[[SourceEvent], None]]] = [
        (make(clock), heard.events.append) for make in beside
    ]
    if make_source is None:
        heard.reading.set()
    else:
        hearing.append((make_source(clock), heard.hear))
    failure: list[BaseException] = []
    threads = [
        threading.Thread(target=_run, args=(*one, stop, heard.done, failure), daemon=True)
        for one in hearing
    ]
    for thread in threads:
        thread.start()
    try:
        _wait(heard, Deadline(PATIENCE_S), seconds / rate, progress)
    finally:
        stop.set()
        for thread in threads:
            thread.join(PATIENCE_S)
    if failure:
        raise failure[0]
    if not heard.reading.is_set():
        raise SootsayerError(
            heard.trouble or f"nothing answered within {PATIENCE_S:.0f} s; is the ignition on?"
        )
    return list(heard.events)


def _run(
    source: Source,
    hear: Callable[[SourceEvent], None],
    stop: threading.Event,
    done: threading.Event,
    failure: list[BaseException],
) -> None:
    try:
        source.run(hear, stop)
    except BaseException as trouble:  # raised again where the survey was asked for
        failure.append(trouble)
        done.set()
    else:
        if not stop.is_set():  # it ended by itself
            done.set()


def _wait(
    heard: Stay, patience: Deadline, seconds: float, progress: Callable[[float, float], None]
) -> None:
    while not (heard.reading.is_set() or heard.done.is_set() or patience.passed()):
        heard.done.wait(0.1)
    end = Deadline(seconds)
    while heard.reading.is_set() and not (heard.done.is_set() or end.passed()):
        heard.done.wait(min(0.25, end.left_s()))
        progress(seconds - end.left_s(), seconds)


def write_new(path: Path, text: str) -> None:
    """Write a file that must not be there yet. Raises SootsayerError if it is, or cannot be."""
    try:
        with path.open("x", encoding="utf-8") as out:
            out.write(text)
    except FileExistsError:
        raise SootsayerError(
            f"vehicle file {path}: exists already; name another file or move it away"
        ) from None
    except OSError as trouble:
        raise SootsayerError(
            f"vehicle file {path}: cannot be written ({trouble.strerror}); name another place"
        ) from trouble
