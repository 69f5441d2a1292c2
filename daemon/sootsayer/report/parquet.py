"""Readings as a Parquet file, one row a reading, for notebooks and databases.

Columns: ``utc`` (timestamp, ms, UTC), ``log_ms``, ``channel``, ``value``, ``unit``, ``raw``,
``scaling``. Imports pyarrow, so only a process of its own should import this.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from sootsayer.model import Series
from sootsayer.report.selection import Progress, Selection, pieces
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.walltime import WallTimes

WORDS = pa.dictionary(pa.int32(), pa.string())
SCHEMA = pa.schema(
    [
        pa.field("utc", pa.timestamp("ms", tz="UTC")),
        pa.field("log_ms", pa.int64()),
        pa.field("channel", WORDS),
        pa.field("value", pa.float64()),
        pa.field("unit", WORDS),
        pa.field("raw", pa.int64()),
        pa.field("scaling", WORDS),
    ]
)


def write_parquet(reader: ArchiveReader, path: Path, chosen: Selection, progress: Progress) -> int:
    """Write the file; the number of rows."""
    times = reader.wall_times()
    count = 0
    with pq.ParquetWriter(path, SCHEMA, compression="zstd") as writer:
        for window in pieces(reader, chosen, progress):
            found = [_table(series, times) for series in window if len(series.t_ms)]
            if found:
                table = pa.concat_tables(found).sort_by("log_ms")
                writer.write_table(table)
                count += len(table)
    return count


def _table(series: Series, times: WallTimes) -> pa.Table:
    n = len(series.t_ms)
    utc = np.array([times.wall_ms(t)[0] for t in series.t_ms.tolist()], np.int64)
    columns = [
        pa.array(utc, pa.timestamp("ms", tz="UTC")),
        pa.array(series.t_ms),
        _same(series.channel, n),
        pa.array(series.values()),
        _same(series.scaling.unit, n),
        pa.array(series.raw),
        _same(series.scaling.name, n),
    ]
    return pa.Table.from_arrays(columns, schema=SCHEMA)


def _same(word: str, count: int) -> pa.DictionaryArray:
    return pa.DictionaryArray.from_arrays(pa.array(np.zeros(count, np.int32)), pa.array([word]))
