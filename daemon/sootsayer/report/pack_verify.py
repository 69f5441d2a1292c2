"""Checks an evidence pack with nothing but the pack, and names the first thing that is wrong.

In order: the form of the file, the manifest and its signature, the key, the list of members, each
member's sums, the chain with its signed heads, each chunk against its entry, each table against
the chunks it was made from. A pack may come from anybody: nothing in it is believed before it was
checked, and memory stays bounded whatever it claims.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from hashlib import sha256
from itertools import islice
from pathlib import Path
from typing import Any

import zstandard

from sootsayer.model import SootsayerError
from sootsayer.report.pack_chain import ENTRY_MOST_BYTES, Chain, entries_of, head_of
from sootsayer.report.pack_file import PackReader, PackRefusedError
from sootsayer.report.pack_making import FORM, MANIFEST, SIGNATURE, SIGNED
from sootsayer.report.pack_readings import Channel, ChunkRef, Clock, Packed, csv_pieces
from sootsayer.store.chunk import Chunk, ChunkDamagedError, decode, decompress
from sootsayer.store.columns import MalformedError, Reader
from sootsayer.store.ledger import NOTHING, content_of

ZIP = b"PK\3\4"  # APPNOTE 4.3.7
SQLITE = b"SQLite format 3\0"  # sqlite.org/fileformat
MANIFEST_MOST_BYTES = 8_000_000  # 20,000 members of some 400 bytes each
FORM_MOST_BYTES = 8_000_000  # of a JSON member that is read whole: fifty thousand chances
MOST_ENTRIES = 200_000  # of the chain: years of ten-minute chunks, day and night
CHUNK_MOST_BYTES = 64_000_000  # unpacked: ten minutes of a full CAN bus are 40 MB
CHUNK_MOST_SAMPLES = 4_000_000  # the same, counted
PINNED = ("vehicle", "span", "links", "alerts", "causes", "next_check", "circumstances", "sure")
WRONG_FORM = (ValueError, KeyError, TypeError, IndexError, AttributeError, OverflowError,
              RecursionError)  # fmt: skip
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class PackFound:
    """What a pack turned out to be. ``signed``: of ``chunks``, those before a signed head."""

    made: str
    program: str
    public_key: str
    archive: str
    members: int
    alerts: int
    samples: int
    chunks: int
    signed: int
    unchained: int  # readings of the last minutes, which only the pack's own signature covers
    other_keys: tuple[str, ...]  # keys that signed the chain, but not the pack
    removals: int


def is_pack(path: Path) -> bool:
    """Whether the file begins like a pack, and not like an archive. SootsayerError if neither."""
    try:
        with path.open("rb") as file:
            begins = file.read(len(SQLITE))
    except OSError as trouble:
        raise SootsayerError(f"file {path}: cannot be read ({trouble.strerror})") from trouble
    if begins and begins != SQLITE and not begins.startswith(ZIP):
        raise SootsayerError(f"file {path}: begins neither like an evidence pack nor an archive")
    return begins.startswith(ZIP)


def verify_pack(
    path: Path, key: str | None = None, progress: Progress = lambda done, all_: None
) -> PackFound:
    """Raises PackRefusedError naming the first thing that is wrong.

    ``key``: the public key that must have signed it, 64 hexadecimal digits.
    """
    with PackReader(path) as pack:
        try:
            return _Checked(pack, key, progress).found()
        except WRONG_FORM as trouble:
            raise pack.refused(f"is not of our form ({trouble})") from trouble


class _Checked:
    def __init__(self, pack: PackReader, key: str | None, progress: Progress) -> None:
        self._pack, self._key, self._progress = pack, key, progress

    def found(self) -> PackFound:
        manifest = self._manifest()
        self._members(manifest["members"])
        self._verdict()
        chain = self._chain()
        refs, packed = self._chunks(chain)
        self._tables(packed)
        upto = chain.signed_upto()
        keys = {head.public_key.hex() for head in chain.heads} - {manifest["public_key"]}
        if self._key is not None and keys:
            raise self._pack.refused(f"the chain was signed by another key too: {min(keys)}")
        return PackFound(
            made=str(manifest["made"]),
            program=str(manifest["program"]),
            public_key=str(manifest["public_key"]),
            archive=chain.archive,
            members=len(self._pack.members),
            alerts=len(self._json("alerts.json")),
            samples=sum(ref.samples for ref in refs),
            chunks=sum(ref.id is not None for ref in refs),
            signed=sum(ref.id is not None and ref.id <= upto for ref in refs),
            unchained=sum(ref.samples for ref in refs if ref.id is None),
            other_keys=tuple(sorted(keys)),
            removals=sum(entry.kind == "removed" for entry in chain.entries.values()),
        )

    # ------------------------------------------------------------ what is signed

    def _manifest(self) -> Mapping[str, Any]:
        text = self._pack.bytes_of(MANIFEST, MANIFEST_MOST_BYTES)
        signature = self._pack.bytes_of(SIGNATURE, 200).decode("ascii").strip()
        manifest: Mapping[str, Any] = json.loads(text)
        if manifest["form"] != FORM:
            raise self._pack.refused(f"is of form {manifest['form']!r}, this program knows {FORM}")
        public_key = str(manifest["public_key"])
        if not _fits(bytes.fromhex(public_key), SIGNED + text, bytes.fromhex(signature)):
            raise self._pack.refused("the signature does not fit the manifest and its key")
        if self._key is not None and public_key != self._key:
            raise self._pack.refused(f"was signed by the key {public_key}, not by the one given")
        return manifest

    def _members(self, listed: Sequence[Mapping[str, Any]]) -> None:
        names = [str(one["name"]) for one in listed]
        there = list(self._pack.members)
        for name in names:
            if name not in self._pack.members:
                raise self._pack.refused(f"{name}: is missing")
        for name in there:
            if name not in (*names, MANIFEST, SIGNATURE):
                raise self._pack.refused(f"{name}: stands in no manifest")
        if there != [*names, MANIFEST, SIGNATURE]:
            raise self._pack.refused("its members are not in the order of the manifest")
        for done, one in enumerate(listed, 1):
            member = self._pack.members[one["name"]]
            sums = self._pack.sums(member)
            said = (one["size"], one["sha256"], one["packed_size"], one["packed_sha256"])
            is_so = (member.size_bytes, sums.contents, member.packed_bytes, sums.packed)
            if said != is_so:
                raise self._pack.refused(f"{member.name}: was changed")
            self._progress(done, 2 * len(listed))

    def _json(self, name: str) -> Any:
        return json.loads(self._pack.bytes_of(name, FORM_MOST_BYTES))

    def _verdict(self) -> None:
        verdict = self._json("verdict.json")
        for key in PINNED:
            if key not in verdict:
                raise self._pack.refused(f"verdict.json: has no {key}")

    # ------------------------------------------------------------ what it rests on

    def _chain(self) -> Chain:
        lines = self._pack.lines("chain/entries.jsonl", ENTRY_MOST_BYTES)
        entries = entries_of(islice(lines, MOST_ENTRIES + 1))
        if len(entries) > MOST_ENTRIES:
            raise self._pack.refused(f"its chain has more than {MOST_ENTRIES} entries")
        form = self._json("chain/heads.json")
        chain = Chain(str(form["archive"]), entries, [head_of(one) for one in form["heads"]])
        broken = chain.broken()
        if broken:
            raise self._pack.refused(broken)
        return chain

    def _chunks(self, chain: Chain) -> tuple[list[ChunkRef], Packed]:
        channels = [Channel.from_json(one) for one in self._json("readings/channels.json")]
        meaning = {channel.id: channel.definition() for channel in channels}
        refs = [ChunkRef(**one) for one in self._json("readings/chunks.json")]
        standing = {entry.id: entry for entry in chain.standing()}
        packed = Packed(refs, self._chunk)
        for done, ref in enumerate(refs, 1):
            columns = self._columns(ref)
            if ref.id is None:
                continue
            entry = standing.get(ref.id)
            if entry is None:
                raise self._pack.refused(f"{ref.member}: no entry of the chain speaks of it")
            span = (entry.start_ms, entry.end_ms, entry.samples)
            if (ref.start_ms, ref.end_ms, ref.samples) != span or entry.content == NOTHING:
                raise self._pack.refused(f"{ref.member}: its entry says another span or count")
            if content_of(columns, meaning) != entry.content:
                raise self._pack.refused(f"{ref.member}: its readings are not those of the chain")
            self._progress(len(refs) + done, 2 * len(refs))
        self._channels = {channel.id: channel for channel in channels}
        return refs, packed

    def _columns(self, ref: ChunkRef) -> list[Any]:
        chunk = self._chunk(ref)
        try:
            return decode(chunk)
        except ChunkDamagedError as damage:
            raise self._pack.refused(f"{ref.member}: {damage}") from damage

    def _chunk(self, ref: ChunkRef) -> Chunk:
        chunk = ref.chunk(self._pack.bytes_of(ref.member, CHUNK_MOST_BYTES))
        why = _monstrous(chunk)
        if why:
            raise self._pack.refused(f"{ref.member}: {why}")
        return chunk

    def _tables(self, packed: Packed) -> None:
        form = self._json("clock.json")
        clock = Clock(tuple(form["from_ms"]), tuple(form["leads_ms"]))
        if len(clock.leads_ms) != len(clock.from_ms) + 1:
            raise self._pack.refused("clock.json: has not one lead for each boot and one before")
        for table in self._json("readings/tables.json"):
            channels = [self._channels[number] for number in table["channels"]]
            stretches = [(start, end) for start, end in table["stretches"]]
            member = self._pack.members.get(table["member"])
            if member is None:
                raise self._pack.refused(f"{table['member']}: is missing")
            digest = sha256()
            for piece in csv_pieces(packed, channels, stretches, clock):
                digest.update(piece)
            if digest.hexdigest() != self._pack.sums(member).contents:
                raise self._pack.refused(
                    f"{member.name}: is not what the chunks and clock.json say"
                )


def _fits(public_key: bytes, text: bytes, signature: bytes) -> bool:
    from nacl.exceptions import BadSignatureError
    from nacl.signing import VerifyKey

    try:
        VerifyKey(public_key).verify(text, signature)
    except (BadSignatureError, ValueError, TypeError):
        return False
    return True


def _monstrous(chunk: Chunk) -> str:
    """Why a chunk must not even be unpacked, or "": it would fill the memory."""
    if chunk.samples > CHUNK_MOST_SAMPLES:
        return f"claims {chunk.samples} readings, more than ten minutes can hold"
    try:
        if not 0 <= zstandard.frame_content_size(chunk.body) <= CHUNK_MOST_BYTES:
            return "would unpack to more than ten minutes can hold"
        counted = _counted(Reader(decompress(chunk.body)), chunk.samples)
    except (MalformedError, zstandard.ZstdError, *WRONG_FORM) as trouble:
        return f"is damaged: {trouble}"
    return "" if counted == chunk.samples else f"holds {counted} readings, not {chunk.samples}"


def _counted(reader: Reader, most: int) -> int:
    """How many readings its groups claim, without making room for them."""
    total = 0
    for _ in range(reader.number()):
        count = reader.number()
        if not 0 < count <= most:
            raise ValueError(f"a group of {count} readings")
        step = partial(reader.column, wanted=False)
        reader.number(), reader.signed(), step(count - 1), step(count)
        for _ in range(reader.number()):
            reader.number(), step(count)
            total += count
    return total


__all__ = ["PackFound", "PackRefusedError", "is_pack", "verify_pack"]
