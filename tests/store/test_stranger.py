"""An archive read by the text of DEVELOPERS.md alone: sqlite3, zstandard, plain Python."""

from __future__ import annotations

import json
import sqlite3
import struct
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from sootsayer.model import Batch, Scaling, Series
from sootsayer.store.archive import Archive

Stamped = list[tuple[int, int]]

INT64 = 1 << 64


class Body:
    """The head's numbers and columns, in order."""

    def __init__(self, packed: bytes) -> None:
        plain = zstandard.ZstdDecompressor().decompress(packed)
        head_length = int.from_bytes(plain[:4], "little")
        self._head: Iterator[int] = iter(plain[4 : 4 + head_length])
        self._planes = plain[4 + head_length :]

    def number(self) -> int:
        value = shift = 0
        while True:
            byte = next(self._head)
            value |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return value

    def signed(self) -> int:
        return unfold(self.number())

    def column(self, n: int) -> list[int]:
        if n == 0:
            return []
        d, w = divmod(self.number(), 16)
        starts = [self.signed() for _ in range(max(d, 1))]
        m = n - d
        planes = [self._planes[k * m : (k + 1) * m] for k in range(w)]
        self._planes = self._planes[w * m :]
        residuals = [sum(plane[i] << 8 * k for k, plane in enumerate(planes)) for i in range(m)]
        if d == 0:
            return [wrap(residual + starts[0]) for residual in residuals]
        column = [unfold(residual) for residual in residuals]
        for start in reversed(starts):
            sums = [start]
            for difference in column:
                sums.append(wrap(sums[-1] + difference))
            column = sums
        return column


def unfold(folded: int) -> int:
    return (folded >> 1) ^ -(folded & 1)


def wrap(value: int) -> int:
    return (value + INT64 // 2) % INT64 - INT64 // 2


def read(path: Path) -> dict[tuple[str, str], Stamped]:
    """(channel, scaling) → [(t_ms, raw)], ascending."""
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    names = {row[0]: (row[1], row[2]) for row in connection.execute(
        "SELECT id, name, scaling FROM channel")}  # fmt: skip
    found: dict[tuple[str, str], Stamped] = {name: [] for name in names.values()}
    chunks = connection.execute(
        "SELECT start_ms, end_ms, samples, codec, crc, body FROM chunk ORDER BY start_ms, id"
    ).fetchall()
    done = json.loads(
        connection.execute("SELECT value FROM state WHERE name = 'ring'").fetchone()[0]
    )
    connection.close()
    for chunk in chunks:
        for channel, stamp, raw in readings(*chunk):
            found[names[channel]].append((stamp, raw))
    for number, chunk in ring(path, done["salt"]):
        for channel, stamp, raw in readings(*chunk):
            if number > done["number"] or stamp > done["upto_ms"]:
                found[names[channel]].append((stamp, raw))
    return found


def readings(
    start_ms: int, end_ms: int, samples: int, codec: int, crc: int, packed: bytes
) -> Iterator[tuple[int, int, int]]:
    """(channel id, stamp, raw) of a chunk."""
    head = f"{start_ms} {end_ms} {samples} {codec}".encode("ascii")
    assert crc == zlib.crc32(head + packed)
    assert codec == 1
    count = 0
    body = Body(packed)
    for _ in range(body.number()):
        n, spacing, first = body.number(), body.number(), body.signed()
        advance, distance = body.column(n - 1), body.column(n)
        slots = [0]
        for step in advance:
            slots.append(slots[-1] + step + 1)
        stamps = [
            start_ms + first + slot * spacing + off
            for slot, off in zip(slots, distance, strict=True)
        ]
        assert all(start_ms < t <= end_ms for t in stamps)
        for _ in range(body.number()):
            channel = body.number()
            for stamp, raw in zip(stamps, body.column(n), strict=True):
                yield channel, stamp, raw
            count += n
    assert count == samples


def ring(path: Path, salt: str) -> list[tuple[int, tuple[int, int, int, int, int, bytes]]]:
    """(number, chunk) of every whole record of the file beside the archive, by number."""
    file = path.with_name(path.name + "-ring")
    if not file.exists():
        return []
    blocks = file.read_bytes()
    parts: dict[int, dict[int, bytes]] = {}
    wanted: dict[int, int] = {}
    for at in range(0, len(blocks), 4096):
        block = bytearray(blocks[at : at + 4096])
        magic, of, number, part, count, size, _, crc = struct.unpack_from("<4s8sQHHHHI", block)
        block[28:32] = bytes(4)
        if magic == b"SRb1" and of.hex() == salt and crc == zlib.crc32(block):
            parts.setdefault(number, {})[part] = bytes(block[32 : 32 + size])
            wanted[number] = count
    records = []
    for number in sorted(parts):
        if len(parts[number]) == wanted[number]:
            record = b"".join(parts[number][part] for part in range(wanted[number]))
            *numbers, size = struct.unpack_from("<qqIIII", record)
            records.append((number, (*numbers, record[32 : 32 + size])))
    return records


RAW = Scaling("raw", 1.0, 0.0, "")
WIDE = st.integers(-(2**63), 2**63 - 1)
BYTES = st.integers(0, 255)


def series(channel: str, t_ms: list[int], raw: list[int]) -> Series:
    return Series(channel, RAW, np.array(t_ms, np.int64), np.array(raw, np.int64))


@settings(max_examples=25, deadline=None)
@given(
    steps=st.lists(st.integers(0, 40_000), min_size=1, max_size=40),
    column=st.data(),
    kill=st.booleans(),
)
def test_a_stranger_reads_what_was_written(
    tmp_path_factory: pytest.TempPathFactory, steps: list[int], column: st.DataObject, kill: bool
) -> None:
    path = tmp_path_factory.mktemp("archive") / "archive.db"
    t_ms = [1_795_521_600_000 + int(t) for t in np.cumsum(steps)]
    wide = column.draw(st.lists(WIDE, min_size=len(t_ms), max_size=len(t_ms)))
    narrow = column.draw(st.lists(BYTES, min_size=len(t_ms), max_size=len(t_ms)))
    archive = Archive.open(path)
    half = len(t_ms) // 2
    for part in (slice(0, half), slice(half, None)):
        if t_ms[part]:
            both = (series("wide", t_ms[part], wide[part]), series("map", t_ms[part], narrow[part]))
            archive.append(Batch(t_ms[part][-1], both))
            archive.commit()
    if not kill:
        archive.close()  # otherwise part of it is still in the tail, as after a power cut
    expected = {
        ("wide", "raw"): list(zip(t_ms, wide, strict=True)),
        ("map", "raw"): list(zip(t_ms, narrow, strict=True)),
    }
    found = read(path)
    assert {name: sorted(stamped) for name, stamped in found.items()} == {
        name: sorted(stamped) for name, stamped in expected.items()
    }
    if kill:
        archive.close()
