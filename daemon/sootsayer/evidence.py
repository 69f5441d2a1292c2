"""What `sootsayer pack` does: hold what the pack refers to, make it, check it, put it in place.

Only the process that has an archive writes it. So the readings are held by the recorder, asked over
its socket, when one has the archive, and by this process when none has.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sootsayer.clock import wall_ms
from sootsayer.control import ask
from sootsayer.exporting import log_times, parse_utc_ms, placed
from sootsayer.model import SootsayerError
from sootsayer.report.pack_choice import Wanted
from sootsayer.report.pack_making import Made, make_pack, plan_pack
from sootsayer.report.pack_readings import Stretch
from sootsayer.report.pack_verify import PackFound, verify_pack
from sootsayer.store.archive import Archive
from sootsayer.store.device_key import DeviceKey
from sootsayer.store.lock import lock_out_others
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.schema import ArchiveRefusedError
from sootsayer.store.walltime import utc_text

HELD_AT_ONCE = 100  # stretches in one request of at most 8 kB
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Request:
    """What was asked for on the command line. Moments are UTC as text."""

    alert: int | None = None
    since: str | None = None
    until: str | None = None
    with_vin: bool = False


def pack_archive(
    archive: Path,
    out: Path,
    request: Request,
    control: Path,
    progress: Progress = lambda done, all_: None,
) -> tuple[Made, PackFound]:
    """Make the pack ``out``, which appears only when it is whole and was checked.

    ``control``: where a recorder that has the archive listens. Raises SootsayerError when there
    is nothing to hand over, ``out`` exists, or the readings cannot be held.
    """
    with ArchiveReader(archive) as reader:
        wanted = _wanted(reader, request)
        plan = plan_pack(reader, wanted)
        key = DeviceKey.beside(archive)
        with placed(out) as part:
            hold(archive, plan.stretches, f"evidence pack {out.name}", control, key)
            with part.open("xb") as file:
                made = make_pack(
                    reader, file, plan, wanted, key, utc_text(wall_ms()), request.with_vin, progress
                )
                file.flush()
                os.fsync(file.fileno())
            return made, verify_pack(part)


def _wanted(reader: ArchiveReader, request: Request) -> Wanted:
    to_log = log_times(reader)
    since_ms, until_ms = (
        None if text is None else to_log(parse_utc_ms(text))
        for text in (request.since, request.until)
    )
    return Wanted(request.alert, since_ms, until_ms)


def hold(
    archive: Path, stretches: Sequence[Stretch], reason: str, control: Path, key: DeviceKey
) -> None:
    """Keep retention from ever removing these readings. Raises SootsayerError if that fails."""
    if _is_recorded(archive):
        for first in range(0, len(stretches), HELD_AT_ONCE):
            spans = " ".join(f"{a}:{b}" for a, b in stretches[first : first + HELD_AT_ONCE])
            ask(control, "hold", archive=str(archive.resolve()), spans=spans, reason=reason)
        return
    with Archive.open(archive, key) as mine:
        for start_ms, end_ms in stretches:
            mine.hold(start_ms, end_ms, reason)


def _is_recorded(archive: Path) -> bool:
    """Whether another process writes the archive at present."""
    try:
        lock_out_others(archive).close()
    except ArchiveRefusedError:
        raise
    except SootsayerError:
        return True
    return False
