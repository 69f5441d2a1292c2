"""Readings as an MDF 4 file (ASAM MDF 4.1), one channel group for each channel and scaling.

Raw integers are kept with their linear conversion and unit; a group's master channel is seconds
since the file's start time, which is UTC. Imports asammdf, so only a process of its own should
import this.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from asammdf import MDF, Signal

from sootsayer.model import FloatArray, Scaling, Series, SootsayerError
from sootsayer.report.selection import Progress, Selection, pieces
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.walltime import EPOCH, WallTimes

VERSION = "4.10"
Group = tuple[str, Scaling]


def write_mdf4(reader: ArchiveReader, path: Path, chosen: Selection, progress: Progress) -> int:
    """Write the file; the number of readings.

    Raises SootsayerError when the span's clock runs backward from one boot to the next, which
    a master channel cannot show.
    """
    times = reader.wall_times()
    start_ms = times.wall_ms(chosen.start_ms + 1)[0]
    groups: dict[Group, int] = {}
    last_s: dict[Group, float] = {}
    count = 0
    with MDF(version=VERSION) as file:
        file.header.start_time = _moment(start_ms)
        for window in pieces(reader, chosen, progress):
            for series in window:
                group = series.channel, series.scaling
                seconds = _seconds(series, times, start_ms)
                if seconds[0] < last_s.get(group, 0.0) or (np.diff(seconds) < 0).any():
                    raise SootsayerError(
                        f"channel {series.channel}: its clock runs backward in this span, which "
                        "MDF cannot show; choose a span within one start of the recorder, or "
                        "another format"
                    )
                last_s[group] = float(seconds[-1])
                count += len(seconds)
                if group in groups:
                    file.extend(groups[group], [(seconds, None), (series.raw, None)])
                else:
                    groups[group] = len(groups)
                    file.append([_signal(series, seconds)], comment=series.scaling.name)
        # It insists on its own ending.
        Path(file.save(path.with_suffix(".mf4"), overwrite=True, compression=2)).rename(path)
    return count


def _seconds(series: Series, times: WallTimes, start_ms: int) -> FloatArray:
    wall_ms = np.array([times.wall_ms(t)[0] for t in series.t_ms.tolist()], np.int64)
    seconds: FloatArray = (wall_ms - start_ms) / 1000
    return seconds


def _signal(series: Series, seconds: FloatArray) -> Signal:
    scaling = series.scaling
    return Signal(
        samples=series.raw,
        timestamps=seconds,
        name=series.channel,
        unit=scaling.unit,
        conversion={"a": scaling.scale, "b": scaling.offset},
    )


def _moment(wall_ms: int) -> datetime:
    return (EPOCH + timedelta(milliseconds=wall_ms)).astimezone(UTC)
