"""What a repair brought over, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from sootsayer.store.repair import Recovered
from sootsayer.store.walltime import WallTimes, utc_text


def repair_text(found: Recovered, times: WallTimes) -> str:
    """A few lines; losses last, each with its span."""
    return "".join(f"{line}\n" for line in _lines(found, times))


def _lines(found: Recovered, times: WallTimes) -> Iterator[str]:
    yield f"{found.samples} readings in {found.chunks} chunks recovered"
    if found.ring_records:
        yield f"{found.ring_records} records of the last minutes recovered"
    tables = ", ".join(f"{count} {name}" for name, count in found.rows.items() if count)
    yield f"rows: {tables or 'none'}"
    yield from found.notes
    for start_ms, end_ms in found.lost:
        span = " to ".join(utc_text(times.wall_ms(t_ms)[0]) for t_ms in (start_ms, end_ms))
        yield f"lost: readings of {span}"
    yield "the new archive has a chain of its own; keep the old file as evidence"
