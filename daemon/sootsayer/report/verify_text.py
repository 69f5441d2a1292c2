"""What a walk of the chain found, for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from sootsayer.store.verify import Verified
from sootsayer.store.walltime import WallTimes, utc_text


def verify_text(found: Verified, times: WallTimes) -> str:
    """A few lines; the first says whether the chain is whole."""
    return "".join(f"{line}\n" for line in _lines(found, times))


def _lines(found: Verified, times: WallTimes) -> Iterator[str]:
    yield "The chain is broken." if found.broken else "The chain is whole."
    yield f"{found.samples} readings in {found.entries} entries"
    if found.devices:
        devices = ", ".join(found.devices)
        when = "" if found.signed_ms is None else f", last at {_utc(times, found.signed_ms)}"
        yield f"signed up to entry {found.signed_entries} by device {devices}{when}"
    if found.signed_entries < found.entries:
        unsigned = found.entries - found.signed_entries
        yield f"{unsigned} entries are not signed; nothing shows who wrote those"
    for removal in found.removals:
        span = f"{_utc(times, removal.start_ms)} to {_utc(times, removal.end_ms)}"
        yield f"removed on purpose: {removal.samples} readings, {span}: {removal.why}"


def _utc(times: WallTimes, t_ms: int) -> str:
    return utc_text(times.wall_ms(t_ms)[0])
