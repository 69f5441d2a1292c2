"""A minute or ten of readings as one row: raw integers, lossless, with a check sum.

Channels that came in the same replies share one column of stamps. A stamp is kept as its slot on
a fixed grid (the usual spacing) and its distance from that slot: under polling jitter this is
smaller than differences. The same codec packs the durable tail of the last seconds.

Body (codec 1), before zstd: see :mod:`sootsayer.store.columns` for numbers and columns.
    number of groups; for each group
        number of readings n, spacing_ms, first stamp less ``start_ms`` (signed),
        column of n - 1 slots advanced less one, column of n distances from the slot,
        number of channels; for each its id and its column of n raw integers.
"""

from __future__ import annotations

import threading
import zlib
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import zstandard

from sootsayer.model import IntArray, SootsayerError
from sootsayer.store.columns import MalformedError, Reader, Writer

CODEC_ZSTD = 1
ZSTD_LEVEL = 6  # a tenth smaller than level 3 on ten minutes of readings; above it little more
BLOCK_LEAST_BYTES = 512  # a column gets a coding table of its own when it is worth the table
CHUNK_MS = 60_000  # the shortest: a tail of one minute is soon read back
STRETCH_MS = 600_000  # finished, a tenth smaller than its minutes and fewer half-filled pages
BODY_MAX_BYTES = 1 << 28  # ten minutes of a full CAN bus are 40 MB; more is not ours

_thread = threading.local()  # zstd contexts are dear to make and not for two threads at once


@dataclass(frozen=True, slots=True)
class Column:
    """Readings of one stored channel; both arrays int64 of length n."""

    channel: int
    t_ms: IntArray
    raw: IntArray


@dataclass(frozen=True, slots=True)
class Chunk:
    """A row of table ``chunk`` or ``tail``: readings with ``start_ms < t <= end_ms``."""

    start_ms: int
    end_ms: int
    samples: int
    codec: int
    crc: int  # CRC-32 of the four numbers before and the body
    body: bytes


class ChunkDamagedError(SootsayerError):
    """A stored chunk is not what was written."""


def encode(columns: Sequence[Column], start_ms: int, end_ms: int) -> Chunk:
    """Pack columns, each channel at most once. Order of channels is not kept, stamps are."""
    groups: dict[bytes, list[Column]] = {}
    for column in columns:
        if len(column.t_ms):
            groups.setdefault(column.t_ms.tobytes(), []).append(column)
    writer = Writer()
    writer.number(len(groups))
    for group in groups.values():
        _write_group(writer, group, start_ms)
    samples = sum(len(column.t_ms) for column in columns)
    body = compress(writer.take())
    crc = _crc(start_ms, end_ms, samples, CODEC_ZSTD, body)
    return Chunk(start_ms, end_ms, samples, CODEC_ZSTD, crc, body)


def decode(chunk: Chunk, channels: Collection[int] | None = None) -> list[Column]:
    """Unpack all columns, or those of some channels. Raises ChunkDamagedError."""
    if chunk.crc != _crc(chunk.start_ms, chunk.end_ms, chunk.samples, chunk.codec, chunk.body):
        raise ChunkDamagedError(_damage(chunk, "check sum wrong"))
    if chunk.codec != CODEC_ZSTD:
        raise ChunkDamagedError(_damage(chunk, f"codec {chunk.codec} unknown"))
    try:
        return _read_groups(Reader(decompress(chunk.body)), chunk.start_ms, channels)
    except (MalformedError, zstandard.ZstdError, ValueError, IndexError) as trouble:
        raise ChunkDamagedError(_damage(chunk, str(trouble))) from trouble


def is_whole(start_ms: int, end_ms: int, samples: int, codec: int, crc: int, body: bytes) -> bool:
    """Whether a row of table ``chunk`` is what was written, without unpacking it."""
    return crc == _crc(start_ms, end_ms, samples, codec, body)


def compress(pieces: Sequence[bytes]) -> bytes:
    """One zstd frame; pieces of different nature in blocks of their own, a tenth smaller."""
    if not hasattr(_thread, "compressor"):
        _thread.compressor = zstandard.ZstdCompressor(level=ZSTD_LEVEL, write_checksum=False)
    frame = _thread.compressor.compressobj(size=sum(len(piece) for piece in pieces))
    packed, waiting_bytes = [], 0
    for piece in pieces:
        packed.append(frame.compress(piece))
        waiting_bytes += len(piece)
        if waiting_bytes >= BLOCK_LEAST_BYTES:
            packed.append(frame.flush(zstandard.COMPRESSOBJ_FLUSH_BLOCK))
            waiting_bytes = 0
    return b"".join([*packed, frame.flush()])


def decompress(packed: bytes) -> bytes:
    if not hasattr(_thread, "decompressor"):
        _thread.decompressor = zstandard.ZstdDecompressor()
    if zstandard.frame_content_size(packed) > BODY_MAX_BYTES:
        raise MalformedError("larger than any chunk can be")
    return bytes(_thread.decompressor.decompress(packed))


def _damage(chunk: Chunk, what: str) -> str:
    return f"stored readings from {chunk.start_ms} to {chunk.end_ms} ms are damaged: {what}"


def _crc(start_ms: int, end_ms: int, samples: int, codec: int, body: bytes) -> int:
    return zlib.crc32(body, zlib.crc32(f"{start_ms} {end_ms} {samples} {codec}".encode()))


def _write_group(writer: Writer, group: Sequence[Column], start_ms: int) -> None:
    stamps = group[0].t_ms
    writer.number(len(stamps))
    _write_stamps(writer, stamps, start_ms)
    writer.number(len(group))
    for column in group:
        writer.number(column.channel)
        writer.column(column.raw)


def _read_groups(reader: Reader, start_ms: int, wanted: Collection[int] | None) -> list[Column]:
    columns = []
    for _ in range(reader.number()):
        stamps = _read_stamps(reader, reader.number(), start_ms)
        for _ in range(reader.number()):
            channel = reader.number()
            is_wanted = wanted is None or channel in wanted
            raw = reader.column(len(stamps), is_wanted)
            if is_wanted:
                columns.append(Column(channel, stamps, raw))
    return columns


def _write_stamps(writer: Writer, stamps: IntArray, start_ms: int) -> None:
    since = stamps - stamps[0]
    spacing_ms = _spacing_ms(since)
    slots = (since + spacing_ms // 2) // spacing_ms
    writer.number(spacing_ms)
    writer.signed(_wrap(int(stamps[0]) - start_ms))
    writer.column(np.diff(slots) - 1)
    writer.column(since - slots * spacing_ms)


def _read_stamps(reader: Reader, count: int, start_ms: int) -> IntArray:
    spacing_ms = reader.number()
    first = np.int64(_wrap(reader.signed() + start_ms))
    advanced = reader.column(count - 1)
    distances = reader.column(count)
    slots = np.concatenate([np.zeros(1, np.int64), np.cumsum(advanced + 1)])
    return first + (slots * spacing_ms + distances)


def _spacing_ms(since: IntArray) -> int:
    """The usual distance between stamps, at least 1."""
    if len(since) < 2:
        return 1
    steps = np.diff(since)
    return max(1, int(np.partition(steps, len(steps) // 2)[len(steps) // 2]))


def _wrap(value: int) -> int:
    """Into int64, as the arrays do."""
    return (value + (1 << 63)) % (1 << 64) - (1 << 63)
