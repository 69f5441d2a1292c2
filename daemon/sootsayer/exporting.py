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
from sootsayer.report.export import export_alert, export_span
from sootsayer.store.reader import ArchiveReader

INVERSE_STEPS = 4  # wall → log: one step is exact between two anchors, each jump costs one more


@dataclass(frozen=True, slots=True)
class Wanted:
    """One alert by its number, or a span between two moments; None is the archive's own end."""

    alert: int | None
    start: str | None
    end: str | None
    channels: Sequence[str] | None
    show_vin: bool


def export_csv(archive: Path, wanted: Wanted, out: str) -> int:
    """Write CSV to the file ``out``, or to standard output if it is "-"; the number of rows.

    Raises SootsayerError for a moment that is none, an unknown channel or alert, or when the
    file exists already.
    """
    with ArchiveReader(archive) as reader, _opened(out) as stream:
        if wanted.alert is not None:
            return export_alert(reader, stream, wanted.alert, show_vin=wanted.show_vin)
        to_log = _log_times(reader)
        start_ms = None if wanted.start is None else to_log(parse_utc_ms(wanted.start))
        end_ms = None if wanted.end is None else to_log(parse_utc_ms(wanted.end))
        return export_span(reader, stream, start_ms, end_ms, wanted.channels, wanted.show_vin)


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


def _log_times(reader: ArchiveReader) -> Callable[[int], int]:
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
    path = Path(out)
    if path.exists():
        raise SootsayerError(f"file {path} exists already and is left as it is; name a new one")
    part = path.with_name(path.name + ".part")
    try:
        with part.open("w", encoding="utf-8", newline="") as stream:
            yield stream
        part.rename(path)
    except OSError as error:
        raise SootsayerError(
            f"file {path} cannot be written: {error.strerror}; check the folder and its room"
        ) from error
    finally:
        part.unlink(missing_ok=True)
