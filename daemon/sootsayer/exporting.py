"""What `sootsayer export` does: from words to a span of log time, and a file made whole or not."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from sootsayer.model import SootsayerError
from sootsayer.report.export import choose_alert, choose_span, export_selection
from sootsayer.report.selection import Progress, Selection, no_progress, pieces
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.rows_file import write_rows

FORMATS = ("csv", "parquet", "mdf4", "sqlite")
Writer = Callable[[ArchiveReader, Path, Selection, Progress], int]
INVERSE_STEPS = 4  # wall → log: one step is exact between two anchors, each jump costs one more


@dataclass(frozen=True, slots=True)
class Wanted:
    """One alert by its number, or a span between two moments; None is the archive's own end."""

    alert: int | None
    start: str | None
    end: str | None
    channels: Sequence[str] | None
    show_vin: bool


def export(
    archive: Path, wanted: Wanted, out: str, form: str = "csv", progress: Progress = no_progress
) -> int:
    """Write the file ``out`` in one of `FORMATS`; the number of rows.

    CSV goes to standard output if ``out`` is "-". Raises SootsayerError for a moment that is
    none, an unknown channel or alert, when the file exists already, or when the library that
    a format needs is not installed.
    """
    with ArchiveReader(archive) as reader:
        if form == "csv":
            with _opened(out) as stream:
                chosen = _chosen(reader, wanted)
                return export_selection(reader, stream, chosen, wanted.show_vin, progress)
        if out == "-":
            raise SootsayerError(f"format {form} cannot go to standard output; name a file")
        write = _writer(form)
        with placed(Path(out)) as part:
            return write(reader, part, _chosen(reader, wanted), progress)


def _chosen(reader: ArchiveReader, wanted: Wanted) -> Selection:
    if wanted.alert is not None:
        return choose_alert(reader, wanted.alert)
    to_log = log_times(reader)
    start_ms = None if wanted.start is None else to_log(parse_utc_ms(wanted.start))
    end_ms = None if wanted.end is None else to_log(parse_utc_ms(wanted.end))
    return choose_span(reader, start_ms, end_ms, wanted.channels)


def _writer(form: str) -> Writer:
    """Its library is loaded here and nowhere else: a hundred megabytes that recording must not
    carry."""
    try:
        if form == "parquet":
            from sootsayer.report.parquet import write_parquet

            return write_parquet
        if form == "mdf4":
            from sootsayer.report.mdf4 import write_mdf4

            return write_mdf4
    except ImportError as error:
        raise SootsayerError(
            f"format {form} needs the package {error.name}; install it with: "
            "pip install 'sootsayer[export]'"
        ) from error
    return _write_sqlite


def _write_sqlite(reader: ArchiveReader, path: Path, chosen: Selection, progress: Progress) -> int:
    return write_rows(path, reader.wall_times(), pieces(reader, chosen, progress))


def parse_utc_ms(text: str) -> int:
    """Unix time in ms of "2026-11-24T07:30:00Z"; seconds and Z may be left out."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as error:
        raise SootsayerError(
            f"time {text!r} is not understood; write UTC as 2026-11-24T07:30:00Z"
        ) from error
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return round(moment.timestamp() * 1000)


def log_times(reader: ArchiveReader) -> Callable[[int], int]:
    """From wall time, as the clock has been corrected since, to log time."""
    times = reader.wall_times()

    def to_log(wall_ms: int) -> int:
        t_ms = wall_ms
        for _ in range(INVERSE_STEPS):
            t_ms -= times.wall_ms(t_ms)[0] - wall_ms
        return t_ms

    return to_log


@contextmanager
def _opened(out: str) -> Iterator[TextIO]:
    """Standard output, or a new file that is there only once everything is in it."""
    if out == "-":
        yield sys.stdout
        return
    with placed(Path(out)) as part, part.open("w", encoding="utf-8", newline="") as stream:
        yield stream


@contextmanager
def placed(path: Path) -> Iterator[Path]:
    """A path to write to; the file gets its name once it is whole, and is gone after trouble."""
    if path.exists():
        raise SootsayerError(f"file {path} exists already and is left as it is; name a new one")
    part = path.with_name(path.name + ".part")
    part.unlink(missing_ok=True)
    try:
        yield part
        part.rename(path)
    except OSError as error:
        raise SootsayerError(
            f"file {path} cannot be written: {error.strerror}; check the folder and its room"
        ) from error
    finally:
        part.unlink(missing_ok=True)
