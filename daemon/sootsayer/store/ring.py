"""The last minutes before they become a chunk: a file of 4 kB blocks that goes round.

SQLite needs several pages for each commit; a record here needs one block, written where nothing
is that still counts, and flushed. A block never holds two records, so no write can hurt what was
acknowledged before it. Every block says which record and part it is and carries its own CRC-32,
so a scan after a power cut finds what is whole; the archive's ``state`` row "ring" says what of it
is in chunks already.
"""

from __future__ import annotations

import json
import os
import struct
import zlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from sootsayer.store.chunk import Chunk, ChunkDamagedError, Column, compress, decode, decompress
from sootsayer.store.minutes import between

BLOCK_BYTES = 4096  # what a file system writes at least, and a page of most flash
RING_BLOCKS = 512  # 2 MB: ten minutes of commits, and two thirds as many again
FLUSH_BLOCKS = 64  # with fewer free, what is in the ring should become a chunk
MAGIC = b"SRb1"
BLOCK = struct.Struct("<4s8sQHHHHI")  # magic, salt, number, part, parts, bytes, 0, CRC-32
RECORD = struct.Struct("<qqIIII")  # start_ms, end_ms, samples, codec, crc, bytes of body
ROOM_BYTES = BLOCK_BYTES - BLOCK.size
EVERYTHING_MS = 1 << 62


@dataclass(frozen=True, slots=True)
class Record:
    """One commit: readings with ``start_ms < t <= end_ms`` and named values as JSON text."""

    number: int
    chunk: Chunk
    states: dict[str, str]

    def columns(self) -> list[Column]:
        """Empty if the readings are damaged behind an intact block, which only a mistake does."""
        try:
            return decode(self.chunk)
        except ChunkDamagedError:
            return []


@dataclass(frozen=True, slots=True)
class Done:
    """What of the ring is in chunks: of records up to ``number`` readings up to ``upto_ms``."""

    salt: str  # 16 hexadecimal digits; blocks with another salt belong to another archive
    number: int = 0
    upto_ms: int = -EVERYTHING_MS

    def needs(self, record: Record) -> bool:
        return record.number > self.number or record.chunk.end_ms > self.upto_ms

    def left(self, record: Record) -> Iterator[Column]:
        """The readings of a record that are in no chunk."""
        for column in record.columns():
            left = column
            if record.number <= self.number:
                left = between(column, self.upto_ms, EVERYTHING_MS)
            if len(left.t_ms):
                yield left


def new_salt() -> str:
    return os.urandom(8).hex()


def ring_path(archive: Path) -> Path:
    return archive.with_name(f"{archive.name}-ring")


# ---------------------------------------------------------------- records as blocks


def pack(record: Record) -> bytes:
    chunk = record.chunk
    head = RECORD.pack(
        chunk.start_ms, chunk.end_ms, chunk.samples, chunk.codec, chunk.crc, len(chunk.body)
    )
    states = compress([json.dumps(record.states).encode()]) if record.states else b""
    return head + chunk.body + states


def unpack(number: int, packed: bytes) -> Record:
    """Raises ValueError, struct.error or ZstdError for what :func:`pack` never made."""
    start_ms, end_ms, samples, codec, crc, size = RECORD.unpack_from(packed)
    body = packed[RECORD.size : RECORD.size + size]
    states = packed[RECORD.size + size :]
    return Record(
        number,
        Chunk(start_ms, end_ms, samples, codec, crc, body),
        json.loads(decompress(states)) if states else {},
    )


def blocks_of(number: int, packed: bytes, salt: bytes) -> list[bytes]:
    pieces = [packed[at : at + ROOM_BYTES] for at in range(0, len(packed), ROOM_BYTES)]
    return [_block(salt, number, part, len(pieces), piece) for part, piece in enumerate(pieces)]


def _block(salt: bytes, number: int, part: int, parts: int, piece: bytes) -> bytes:
    fields = (MAGIC, salt, number, part, parts, len(piece), 0)
    plain = BLOCK.pack(*fields, 0) + piece.ljust(ROOM_BYTES, b"\0")
    return BLOCK.pack(*fields, zlib.crc32(plain)) + plain[BLOCK.size :]


@dataclass(frozen=True, slots=True)
class Block:
    """A block that is whole and of this archive."""

    number: int
    part: int
    parts: int
    piece: bytes


def read_block(block: bytes, salt: bytes) -> Block | None:
    """None for what is torn, damaged, unused or another archive's."""
    if len(block) != BLOCK_BYTES:
        return None
    magic, of, number, part, parts, size, _, crc = BLOCK.unpack_from(block)
    if (magic, of) != (MAGIC, salt) or size > ROOM_BYTES:
        return None
    plain = block[: BLOCK.size - 4] + bytes(4) + block[BLOCK.size :]
    if zlib.crc32(plain) != crc:
        return None
    return Block(number, part, parts, block[BLOCK.size : BLOCK.size + size])


@dataclass(slots=True)
class Scan:
    """All that a ring holds. ``at`` gives the first block of each record."""

    blocks: int
    records: list[Record] = field(default_factory=list)  # in order of their numbers
    at: dict[int, int] = field(default_factory=dict)
    parts: dict[int, int] = field(default_factory=dict)
    highest: int = 0  # number of the newest record of which any block is whole
    unreadable: int = 0  # blocks that are neither empty nor whole

    @property
    def next_block(self) -> int:
        """Where the record after the newest whole one begins."""
        if not self.records:
            return 0
        newest = self.records[-1].number
        return (self.at[newest] + self.parts[newest]) % self.blocks


def scan(packed: bytes, salt: str) -> Scan:
    """``packed``: the whole file. Records of which a block is missing are left out."""
    found = Scan(len(packed) // BLOCK_BYTES)
    whole: dict[int, dict[int, tuple[int, Block]]] = {}
    for at in range(found.blocks):
        raw = packed[at * BLOCK_BYTES : (at + 1) * BLOCK_BYTES]
        block = read_block(raw, bytes.fromhex(salt))
        if block is not None:
            whole.setdefault(block.number, {})[block.part] = (at, block)
        elif any(raw) and raw[4:12] != bytes(8):
            found.unreadable += 1
    for number, parts in sorted(whole.items()):
        found.highest = number
        if 0 not in parts:
            continue
        first, block = parts[0]
        if all(
            part in parts and parts[part][0] == (first + part) % found.blocks
            for part in range(block.parts)
        ):
            _take(found, number, first, [parts[part][1] for part in range(block.parts)])
    return found


def _take(found: Scan, number: int, at: int, blocks: Sequence[Block]) -> None:
    with suppress(ValueError, struct.error):
        found.records.append(unpack(number, b"".join(block.piece for block in blocks)))
        found.at[number] = at
        found.parts[number] = len(blocks)


# ---------------------------------------------------------------- the one writer


class RingFullError(OSError):
    """No room: what is in the ring must become a chunk first."""


class RingFile:
    """Reads, writes and syncs of the file, apart so that tests can cut the power between them."""

    def __init__(self, path: Path) -> None:
        self._number = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)

    def read(self) -> bytes:
        size = os.fstat(self._number).st_size
        return os.pread(self._number, size, 0)

    def write(self, packed: bytes, at: int) -> None:
        while packed:
            written = os.pwrite(self._number, packed, at)
            packed, at = packed[written:], at + written

    def sync(self) -> None:
        """Only what is needed to read the bytes back: neither times nor a directory."""
        os.fdatasync(self._number)

    def close(self) -> None:
        os.close(self._number)


class Ring:
    """Writes records. OSError from any method: nothing that was acknowledged is touched."""

    def __init__(
        self, path: Path, done: Done, open_file: Callable[[Path], RingFile] = RingFile
    ) -> None:
        """Takes up the ring at ``path``, or makes one."""
        self._path = path
        self._salt = bytes.fromhex(done.salt)
        self._file = open_file(path)
        packed = self._file.read()
        found = scan(packed, done.salt)
        if len(packed) < 2 * FLUSH_BLOCKS * BLOCK_BYTES or not found.highest:
            found = self._made()  # new, cut off while it was made, or another archive's
        self.blocks = found.blocks
        self.records = [record for record in found.records if done.needs(record)]
        self.number = max(found.highest, done.number)  # of the newest record
        self._next = found.next_block
        self._live = deque(
            (record.number, record.chunk.end_ms, found.parts[record.number])
            for record in self.records
        )

    def _made(self) -> Scan:
        empty = bytes(RING_BLOCKS * BLOCK_BYTES)  # written once, so that later no block is added
        self._file.write(empty, 0)
        self._file.sync()
        _sync_folder(self._path.parent)
        return Scan(RING_BLOCKS)

    @property
    def free(self) -> int:
        """Blocks that may be written. Records end in the order in which they were written."""
        return self.blocks - sum(parts for _, _, parts in self._live)

    def append(self, chunk: Chunk, states: dict[str, str]) -> None:
        """Durable on return.

        A number is spent even when the disk refuses, because the record may be there all the
        same: who then stores the readings elsewhere says so by that number. Its place is not
        spent, so the next record takes it away.
        """
        number = self.number + 1
        blocks = blocks_of(number, pack(Record(number, chunk, states)), self._salt)
        if len(blocks) > self.free:
            raise RingFullError(f"ring {self._path} is full")
        self.number = number
        at_end = self.blocks - self._next
        for at, some in ((self._next, blocks[:at_end]), (0, blocks[at_end:])):
            if some:
                self._file.write(b"".join(some), at * BLOCK_BYTES)
        self._file.sync()
        self._next = (self._next + len(blocks)) % self.blocks
        self._live.append((number, chunk.end_ms, len(blocks)))

    def release(self, done: Done) -> None:
        """Records whose readings are in chunks may be written over."""
        while self._live and self._live[0][0] <= done.number and self._live[0][1] <= done.upto_ms:
            self._live.popleft()

    def close(self) -> None:
        self._file.close()

    def remove(self) -> None:
        """Close it and take it away, everything being in chunks."""
        self.close()
        self._path.unlink(missing_ok=True)


def _sync_folder(folder: Path) -> None:
    number = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def missing(records: Iterable[Record], done: Done) -> list[tuple[int, int]]:
    """Spans of records that should be there and are not, for whom a gap must be told."""
    spans: list[tuple[int, int]] = []
    number, end_ms = done.number, None if done.upto_ms == -EVERYTHING_MS else done.upto_ms
    for record in records:
        if record.number > number + 1:
            start_ms = record.chunk.start_ms
            if end_ms is None or end_ms < start_ms:  # else the number was spent, not the time
                spans.append((start_ms - 1 if end_ms is None else end_ms, start_ms))
        if record.number > done.number:
            number, end_ms = record.number, record.chunk.end_ms
        if not record.columns() and record.chunk.samples:
            spans.append((record.chunk.start_ms, record.chunk.end_ms))
    return spans
