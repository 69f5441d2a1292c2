"""The whole program on an invented car: what `sootsayer demo` does.

History goes through the same pipeline and archive as real readings; then the recorder reads the
car's emulated adapter over a pseudo-terminal, as it would read a real one over a serial port.
"""

from __future__ import annotations

import dataclasses
import queue
import tempfile
import textwrap
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from importlib.resources import as_file, files
from pathlib import Path
from typing import TextIO

from sootsayer.clock import LogClock, wall_ms
from sootsayer.demo.adapter import EmulatedAdapter
from sootsayer.demo.story import LOOK_FOR, Story
from sootsayer.demo.stream import EmulatedStream
from sootsayer.live.source_thread import Source
from sootsayer.model import Batch, SootsayerError
from sootsayer.offline import feed_and_keep, keep_judgement, with_last_block
from sootsayer.pipeline import Pipeline
from sootsayer.progress import ProgressBar
from sootsayer.service import STOPPED, Plan, Recorder
from sootsayer.settings import Settings
from sootsayer.sources.serial_adapter import SerialSource
from sootsayer.sources.stream_source import StreamSource, load_stream
from sootsayer.store.archive import Archive
from sootsayer.store.device_key import DeviceKey
from sootsayer.vehicle import Vehicle
from sootsayer.watching import watch_plan

CAR = Vehicle(name="blue estate car", displacement_l=2.4, cylinders=4, fuel="petrol")
SHOW_FINDINGS_S = 1.0
DRIVEN_PART = 0.75  # of the waiting: driving the car takes three times as long as judging it

# (archive, host, port, stop, ready): the dashboard's own `serve`; ready is told the address.
Serve = Callable[[Path, str, int, threading.Event, Callable[[str], None]], None]


def build_history(archive_path: Path, story: Story, progress: Callable[[float], None]) -> None:
    """Drive the story's past, store and judge it. ``progress`` hears the part done, 0..1."""
    batches = list(story.batches(lambda part: progress(DRIVEN_PART * part)))
    pipeline = Pipeline(CAR)
    with Archive.open(archive_path, DeviceKey.beside(archive_path)) as archive:
        judged = _counting(batches, lambda part: progress(DRIVEN_PART + (1 - DRIVEN_PART) * part))
        feed_and_keep(with_last_block(judged), pipeline, archive, source="system")
        # The recorder that follows then knows that it was stopped, not cut off.
        archive.put_state("health", {"state": STOPPED})
        keep_judgement(pipeline, archive)


def _counting(batches: list[Batch], progress: Callable[[float], None]) -> Iterator[Batch]:
    for number, batch in enumerate(batches, start=1):
        yield batch
        progress(number / len(batches))


def live_plan(
    archive: Path, story: Story, settings: Settings, stack: ExitStack, stream: bool = False
) -> Plan:
    """A recorder on the story's car, which sets off when the recorder's clock is known.

    The adapter is taken down when ``stack`` closes. With ``stream`` the car has no adapter but
    the serial stream of the example definition.
    """

    def make_source(clock: LogClock) -> SerialSource:
        adapter = EmulatedAdapter(story.live_car(clock.now_ms()), clock)
        adapter.start()
        stack.callback(adapter.stop)
        return SerialSource(adapter.port, clock)

    # No card to spare here, and who watches wants to see an opening when it is over.
    recorder = dataclasses.replace(settings.recorder, findings_s=SHOW_FINDINGS_S)
    settings = dataclasses.replace(settings, recorder=recorder)
    plan = watch_plan(settings, "emulated adapter", archive, CAR, must_exist=False)
    if stream:
        sources: dict[str, Callable[[LogClock], Source]] = {"stream": _stream_maker(story, stack)}
        return dataclasses.replace(plan, sources=sources, port="emulated stream")
    return dataclasses.replace(plan, sources={"adapter": make_source})


def _stream_maker(story: Story, stack: ExitStack) -> Callable[[LogClock], Source]:
    with as_file(files("sootsayer_config").joinpath("streams/example.toml")) as path:
        table = load_stream(path)

    def make(clock: LogClock) -> StreamSource:
        wire = stack.enter_context(EmulatedStream(story.live_car(clock.now_ms()), clock))
        return StreamSource(wire.port, table, clock)

    return make


@contextmanager
def dashboard(serve: Serve, archive: Path, http_port: int) -> Iterator[str]:
    """The dashboard in a thread of its own; gives its address once it accepts connections."""
    stop = threading.Event()
    outcome: queue.SimpleQueue[str | SootsayerError] = queue.SimpleQueue()

    def run() -> None:
        try:
            serve(archive, "127.0.0.1", http_port, stop, outcome.put)
        except SootsayerError as trouble:
            outcome.put(trouble)

    thread = threading.Thread(target=run, name="dashboard", daemon=True)
    thread.start()
    address = outcome.get()
    if isinstance(address, SootsayerError):
        raise address
    try:
        yield address
    finally:
        stop.set()
        thread.join()


@contextmanager
def place(folder: Path | None) -> Iterator[Path]:
    """The archive's path: in ``folder``, or in one that is gone at the end."""
    if folder is None:
        with tempfile.TemporaryDirectory(prefix="sootsayer-demo-") as temporary:
            yield Path(temporary) / "archive.db"
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SootsayerError(
            f"folder {folder} cannot be made: {error.strerror}; name another with --dir"
        ) from error
    archive = folder / "archive.db"
    if archive.exists():
        raise SootsayerError(
            f"archive {archive} exists already and is left as it is; name an empty --dir, "
            f"or look at it with: sootsayer web --archive {archive}"
        )
    yield archive


@dataclasses.dataclass(frozen=True, slots=True)
class Demo:
    """What was asked for on the command line."""

    folder: Path | None
    days: int
    seed: int
    http_port: int
    live: bool
    stream: bool = False  # the live car speaks the example's serial stream


def run_demo(
    demo: Demo,
    settings: Settings,
    serve: Serve,
    on_signals: Callable[[Callable[[], object]], None],
    out: TextIO,
) -> None:
    """Build the past, then go live until a signal comes. ``on_signals`` says whom to stop."""
    with place(demo.folder) as archive, ExitStack() as stack:
        address = ""
        if demo.live:  # first, so that a port that is taken is told before any waiting
            address = stack.enter_context(dashboard(serve, archive, demo.http_port))
        story = Story(demo.days, demo.seed, wall_ms())
        bar = ProgressBar(f"{demo.days} days of driving")
        build_history(archive, story, lambda part: bar.show(part, 1.0))
        bar.clear()
        out.write(told(demo, archive, address))
        out.flush()
        if demo.live:
            recorder = Recorder(live_plan(archive, story, settings, stack, demo.stream))
            on_signals(recorder.stop)
            recorder.run()


def told(demo: Demo, archive: Path, address: str) -> str:
    """What to open and what to look for."""
    lines = textwrap.wrap(LOOK_FOR, 80)
    if demo.live:
        mark = f'sootsayer mark "TEXT" --archive {archive}'
        return "\n".join([f"Open {address}", "", *lines, "", f"A remark of yours: {mark}",
                          "Ctrl-C ends it.", ""])  # fmt: skip
    return "\n".join([f"Made {archive}", "", *lines, "",
                      f"Look at it with: sootsayer web --archive {archive}", ""])  # fmt: skip
