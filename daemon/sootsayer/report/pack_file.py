"""The container of an evidence pack: a ZIP file of one form only, so that every byte is spoken for.

Any program opens it (PKWARE APPNOTE 6.3.10, without ZIP64, encryption, comments, extra fields).
What a general reader forgives, this one refuses: each header must be, byte for byte, what its
member's name, sizes and sum demand, members follow one another without a gap, names are plain and
no member is anything but a file. So nothing can hide in it, and no entry can point anywhere.
"""

from __future__ import annotations

import hashlib
import re
import struct
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Self

from sootsayer.model import SootsayerError

STORED, DEFLATED = 0, 8  # APPNOTE 4.4.5
VERSION = 20  # 4.4.3.2: deflate, folders
MADE_ON_UNIX = 3  # 4.4.2.2
PLAIN_FILE = 0o100644 << 16  # st_mode of a file that everybody may read
FIRST_DAY = 0x21  # 1980-01-01, the first that the format knows: the same pack has the same bytes
LOCAL = struct.Struct("<4s5H3L2H")
CENTRAL = struct.Struct("<4s4B4H3L5H2L")
END = struct.Struct("<4s4H2LH")
NAME = re.compile(r"[a-z0-9][a-z0-9._-]{0,60}(/[a-z0-9][a-z0-9._-]{0,60})?")
MOST_MEMBERS = 20_000  # four months of ten-minute chunks
MOST_BYTES = 1_000_000_000  # of the file, and of its contents unpacked; more is no pack of ours
PIECE_BYTES = 1 << 16
UNPACKED_BYTES = 1 << 20  # at a time


class PackRefusedError(SootsayerError):
    """The file is no pack, or not the one that was made."""


@dataclass(frozen=True, slots=True)
class Member:
    """One file in the pack. ``packed_*`` is of the bytes as they lie there."""

    name: str
    method: int
    crc: int
    packed_bytes: int
    size_bytes: int
    at: int  # offset of its header

    @property
    def starts(self) -> int:
        return self.at + LOCAL.size + len(self.name)

    @property
    def ends(self) -> int:
        return self.starts + self.packed_bytes

    def local(self) -> bytes:
        """The header before its bytes."""
        return LOCAL.pack(
            b"PK\3\4", VERSION, 0, self.method, 0, FIRST_DAY, self.crc,
            self.packed_bytes, self.size_bytes, len(self.name), 0,
        ) + self.name.encode("ascii")  # fmt: skip

    def central(self) -> bytes:
        """Its entry in the directory at the end."""
        return CENTRAL.pack(
            b"PK\1\2", VERSION, MADE_ON_UNIX, VERSION, 0, 0, self.method, 0, FIRST_DAY, self.crc,
            self.packed_bytes, self.size_bytes, len(self.name), 0, 0, 0, 0, PLAIN_FILE, self.at,
        ) + self.name.encode("ascii")  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sums:
    """SHA-256 of a member's contents, and of its bytes as packed; in hexadecimal."""

    contents: str
    packed: str


def end_record(count: int, directory_bytes: int, directory_at: int) -> bytes:
    return END.pack(b"PK\5\6", 0, 0, count, count, directory_bytes, directory_at, 0)


# ---------------------------------------------------------------- writing


class PackWriter:
    """Writes members one after another; `finish` writes the directory."""

    def __init__(self, file: BinaryIO) -> None:
        """``file`` is new, writable and seekable."""
        self._file = file
        self.members: list[Member] = []

    def add(self, name: str, pieces: Iterable[bytes], method: int = DEFLATED) -> Sums:
        """Raises SootsayerError when the pack would become larger than any may be."""
        assert NAME.fullmatch(name), name
        at = self._file.tell()
        self._file.write(Member(name, method, 0, 0, 0, at).local())
        packer = zlib.compressobj(9, zlib.DEFLATED, -15) if method == DEFLATED else None
        contents, packed = hashlib.sha256(), hashlib.sha256()
        crc = size_bytes = packed_bytes = 0
        for piece in _and_end(pieces):
            if piece is not None:
                contents.update(piece)
                crc, size_bytes = zlib.crc32(piece, crc), size_bytes + len(piece)
            out = _packed(packer, piece)
            packed.update(out)
            packed_bytes += len(out)
            self._file.write(out)
            if self._file.tell() > MOST_BYTES or size_bytes > MOST_BYTES:
                raise SootsayerError(
                    f"the pack would exceed {MOST_BYTES // 1_000_000} MB; choose one alert with "
                    "--alert or a shorter span with --since and --until"
                )
        member = Member(name, method, crc, packed_bytes, size_bytes, at)
        self._file.seek(at)
        self._file.write(member.local())
        self._file.seek(member.ends)
        self.members.append(member)
        return Sums(contents.hexdigest(), packed.hexdigest())

    def finish(self) -> None:
        at = self._file.tell()
        directory = b"".join(member.central() for member in self.members)
        self._file.write(directory + end_record(len(self.members), len(directory), at))


def _and_end(pieces: Iterable[bytes]) -> Iterator[bytes | None]:
    yield from pieces
    yield None


def _packed(packer: zlib._Compress | None, piece: bytes | None) -> bytes:
    """What comes out for a piece, or for the end (None)."""
    if packer is None:
        return piece or b""
    return packer.flush() if piece is None else packer.compress(piece)


# ---------------------------------------------------------------- reading


class PackReader:
    """The members of a pack whose form is right. Memory does not grow with what a file claims."""

    def __init__(self, path: Path) -> None:
        """Raises PackRefusedError for anything but our form, SootsayerError if unreadable."""
        self.path = path
        try:
            self._file = path.open("rb")
        except OSError as trouble:
            raise SootsayerError(f"pack {path}: cannot be read ({trouble.strerror})") from trouble
        try:
            self.members = {member.name: member for member in self._members()}
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def pieces(self, member: Member) -> Iterator[tuple[bytes, bytes]]:
        """(bytes as packed, contents) piece by piece. Raises PackRefusedError if they disagree."""
        unpacker = zlib.decompressobj(-15) if member.method == DEFLATED else None
        at, crc, size_bytes = member.starts, 0, 0
        while at < member.ends:
            packed = self._read(at, min(PIECE_BYTES, member.ends - at))
            at += len(packed)
            for contents in _unpacked(unpacker, packed, member, self.path):
                crc, size_bytes = zlib.crc32(contents, crc), size_bytes + len(contents)
                if size_bytes > member.size_bytes:
                    raise self.refused(f"{member.name}: holds more than it says")
                yield packed, contents
                packed = b""
        whole = unpacker is None or (unpacker.eof and not unpacker.unused_data)
        if not whole or (crc, size_bytes) != (member.crc, member.size_bytes):
            raise self.refused(f"{member.name}: was changed")

    def sums(self, member: Member) -> Sums:
        contents, packed = hashlib.sha256(), hashlib.sha256()
        for raw, piece in self.pieces(member):
            packed.update(raw)
            contents.update(piece)
        return Sums(contents.hexdigest(), packed.hexdigest())

    def bytes_of(self, name: str, most_bytes: int) -> bytes:
        """The contents of a small member. Raises PackRefusedError if it is not there or larger."""
        member = self.members.get(name)
        if member is None:
            raise self.refused(f"{name}: is missing")
        if member.size_bytes > most_bytes:
            raise self.refused(f"{name}: {member.size_bytes} bytes are more than any pack needs")
        return b"".join(piece for _, piece in self.pieces(member))

    def lines(self, name: str, most_bytes: int) -> Iterator[bytes]:
        """Lines of a member that may be long, none longer than ``most_bytes``."""
        member = self.members.get(name)
        if member is None:
            raise self.refused(f"{name}: is missing")
        rest = b""
        for _, piece in self.pieces(member):
            *whole, rest = (rest + piece).split(b"\n")
            if len(rest) > most_bytes:
                raise self.refused(f"{name}: a line is longer than any pack needs")
            yield from whole
        if rest:
            raise self.refused(f"{name}: the last line has no end")

    def refused(self, what: str) -> PackRefusedError:
        return PackRefusedError(f"pack {self.path}: {what}")

    def _read(self, at: int, count: int) -> bytes:
        self._file.seek(at)
        found = self._file.read(count)
        if len(found) != count:
            raise self.refused("is cut off")
        return found

    def _members(self) -> list[Member]:
        size_bytes = self._file.seek(0, 2)
        if size_bytes > MOST_BYTES:
            raise self.refused(f"{size_bytes} bytes are more than any pack has")
        if size_bytes < END.size:
            raise self.refused("is no evidence pack")
        end = self._read(size_bytes - END.size, END.size)
        mark, _, _, _, count, directory_bytes, directory_at, _ = END.unpack(end)
        if mark != b"PK\5\6":
            raise self.refused("is no evidence pack, or was cut off")
        if count > MOST_MEMBERS or directory_at + directory_bytes + END.size != size_bytes:
            raise self.refused("the directory at its end is not as we write it")
        members = self._directory(self._read(directory_at, directory_bytes), count)
        if end != end_record(count, directory_bytes, directory_at):
            raise self.refused("the record at its end was changed")
        at = 0
        for member in members:
            if member.at != at or member.ends > directory_at:
                raise self.refused(f"{member.name}: does not lie where it must")
            if self._read(at, member.starts - at) != member.local():
                raise self.refused(f"{member.name}: its header was changed")
            at = member.ends
        if at != directory_at:
            raise self.refused("holds bytes that belong to no member")
        return members

    def _directory(self, directory: bytes, count: int) -> list[Member]:
        members: list[Member] = []
        at = 0
        for _ in range(count):
            fields = directory[at : at + CENTRAL.size]
            if len(fields) < CENTRAL.size:
                raise self.refused("the directory at its end is cut off")
            *_, method, _, _, crc, packed, size, length, _, _, _, _, _, offset = CENTRAL.unpack(
                fields
            )
            name = directory[at + CENTRAL.size : at + CENTRAL.size + length].decode("latin-1")
            if not NAME.fullmatch(name):
                raise self.refused(f"member {name[:80]!r} has a name that no pack of ours has")
            member = Member(name, method, crc, packed, size, offset)
            if directory[at : at + CENTRAL.size + length] != member.central():
                raise self.refused(f"{name}: its entry in the directory is not as we write it")
            if method not in (STORED, DEFLATED):
                raise self.refused(f"{name}: is packed in a way that no pack of ours uses")
            members.append(member)
            at += CENTRAL.size + length
        if at != len(directory):
            raise self.refused("the directory at its end holds more than its members")
        if len({member.name for member in members}) != len(members):
            raise self.refused("holds two members of one name")
        if sum(member.size_bytes for member in members) > MOST_BYTES:
            raise self.refused("would unpack to more than any pack has")
        return members


def _unpacked(
    unpacker: zlib._Decompress | None, packed: bytes, member: Member, path: Path
) -> Iterator[bytes]:
    """Contents of one piece, never more than `UNPACKED_BYTES`; at least one, may be empty."""
    if unpacker is None:
        yield packed
        return
    try:
        contents = unpacker.decompress(packed, UNPACKED_BYTES)
        yield contents
        while unpacker.unconsumed_tail or len(contents) == UNPACKED_BYTES:
            contents = unpacker.decompress(unpacker.unconsumed_tail, UNPACKED_BYTES)
            yield contents
    except zlib.error as trouble:
        raise PackRefusedError(f"pack {path}: {member.name}: was changed") from trouble
