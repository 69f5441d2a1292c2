"""Makes an evidence pack from an archive: members, list of members, signature.

The same archive, choice, key and moment give the same bytes.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from importlib.resources import files
from typing import Any, BinaryIO

from sootsayer import __version__
from sootsayer.model import SootsayerError
from sootsayer.report import pack_parts as parts_of
from sootsayer.report.pack_chain import Chain, entry_line, head_form
from sootsayer.report.pack_choice import (
    AlertEvidence,
    Wanted,
    chosen_alerts,
    merged,
    refuse_long_span,
)
from sootsayer.report.pack_file import STORED, PackWriter, Sums
from sootsayer.report.pack_page import page
from sootsayer.report.pack_readings import (
    Channel,
    ChunkRef,
    Clock,
    Packed,
    Stretch,
    csv_pieces,
)
from sootsayer.store import ledger
from sootsayer.store.chunk import Chunk, ChunkDamagedError, Column, decode, encode
from sootsayer.store.device_key import DeviceKey, heads
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.readings import chunk_by_id
from sootsayer.store.schema import open_reader

FORM = "sootsayer evidence pack 1"
SIGNED = b"sootsayer evidence pack 1\n"  # stands before the manifest in what is signed
MANIFEST, SIGNATURE = "manifest.json", "manifest.sig"
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Plan:
    """What a pack will hold. ``stretches``: log times whose readings must be kept."""

    alerts: tuple[AlertEvidence, ...]
    stretches: tuple[Stretch, ...]


def plan_pack(reader: ArchiveReader, wanted: Wanted) -> Plan:
    """What would be in a pack. Raises SootsayerError when there is nothing to hand over."""
    refuse_long_span(wanted)
    if reader.last_verdict() is None:
        raise SootsayerError(f"archive {reader.path}: nothing has been judged in it yet")
    alerts = chosen_alerts(reader, wanted)
    stretches = [stretch for one in alerts for stretch in one.stretches]
    if wanted.whole_span is not None:
        stretches.append(wanted.whole_span)
    return Plan(tuple(alerts), tuple(merged(stretches)))


@dataclass(frozen=True, slots=True)
class Made:
    """What was written, for a word to the person who asked."""

    alerts: int
    samples: int
    damaged: tuple[str, ...]


def make_pack(
    reader: ArchiveReader,
    out: BinaryIO,
    plan: Plan,
    wanted: Wanted,
    key: DeviceKey,
    made_utc: str,
    with_vin: bool = False,
    progress: Progress = lambda done, all_: None,
) -> Made:
    """Write the pack to ``out``, a new file that can be sought in."""
    times, boots = reader.wall_times(), reader.boots()
    clock = Clock.of(times, [boot.started_ms for boot in boots])
    vins = parts_of.vins_of(reader)
    masking = parts_of.Masking(vins, with_vin)
    chosen = _Readings(reader, plan.stretches)
    try:
        parts = _parts(reader, plan, wanted, clock, vins)
        parts["chain"] = chosen.chain_part()
        if chosen.damaged:
            parts["verdict"]["notes"] = [*parts["verdict"]["notes"], *chosen.damaged]
        writing = _Writing(out, masking)
        title = f"Evidence: {parts['verdict']['vehicle']}"
        html = page(title, parts, key.public.hex(), made_utc)
        writing.text("report.html", masking.text(html))
        writing.text("readme.txt", _asset("pack_readme.txt"))
        for name in ("verdict", "alerts", "records", "clock", "vehicle"):
            writing.json(f"{name}.json", parts[name])
        for name, text in parts_of.rule_texts().items():
            writing.text(f"rules/{name}", text)
        writing.add("chain/entries.jsonl", map(entry_line, chosen.chain.entries.values()))
        head_forms = [head_form(head) for head in chosen.chain.heads]
        writing.json("chain/heads.json", {"archive": chosen.chain.archive, "heads": head_forms})
        _write_readings(writing, chosen, plan, wanted, clock, progress)
        writing.sign(key, made_utc, wanted)
    finally:
        chosen.close()
    return Made(len(plan.alerts), sum(ref.samples for ref in chosen.refs), tuple(chosen.damaged))


def _parts(
    reader: ArchiveReader, plan: Plan, wanted: Wanted, clock: Clock, vins: frozenset[str]
) -> dict[str, Any]:
    parts: dict[str, Any] = {
        "verdict": reader.verdict(),
        "alerts": parts_of.alerts_part(plan.alerts, reader),
        "records": parts_of.records_part(reader, wanted),
        "clock": parts_of.clock_part(reader, clock),
        "vehicle": parts_of.vehicle_part(reader, vins),
    }
    for name in ("alerts", "records", "clock"):
        parts[name] = parts_of.with_utc(parts[name], clock)
    return parts


def _asset(name: str) -> str:
    return files("sootsayer_config").joinpath(name).read_text(encoding="utf-8")


def _write_readings(
    writing: _Writing,
    chosen: _Readings,
    plan: Plan,
    wanted: Wanted,
    clock: Clock,
    progress: Progress,
) -> None:
    tables: list[tuple[str, Sequence[Channel], Sequence[Stretch]]] = []
    for one in plan.alerts:
        drawn = [c for c in chosen.channels if c.name in one.alert.channels]
        tables.append((f"readings/alert-{one.number}.csv", drawn, one.stretches))
    if wanted.whole_span is not None:
        tables.append(("readings/span.csv", chosen.channels, [wanted.whole_span]))
    steps = len(chosen.refs) + len(tables)
    writing.json("readings/channels.json", [channel.as_json() for channel in chosen.channels])
    writing.json("readings/chunks.json", [asdict(ref) for ref in chosen.refs])
    forms = [
        {"member": name, "channels": [channel.id for channel in channels],
         "stretches": [list(stretch) for stretch in stretches]}
        for name, channels, stretches in tables
    ]  # fmt: skip
    writing.json("readings/tables.json", forms)
    for done, ref in enumerate(chosen.refs, 1):
        writing.add(ref.member, [chosen.load(ref).body], STORED)
        progress(done, steps)
    packed = Packed(chosen.refs, chosen.load)
    for done, (name, channels, stretches) in enumerate(tables, len(chosen.refs) + 1):
        writing.add(name, csv_pieces(packed, channels, stretches, clock))
        progress(done, steps)


class _Readings:
    """The chunks that touch the stretches, in one state of the archive, and its whole chain."""

    def __init__(self, reader: ArchiveReader, stretches: Sequence[Stretch]) -> None:
        self._connection = open_reader(reader.path)
        self._connection.execute("BEGIN")
        entries = {entry.id: entry for entry in ledger.entries(self._connection)}
        archive = ledger.archive_id(self._connection)
        self.chain = Chain(archive, entries, heads(self._connection))
        self.damaged: list[str] = []
        self.refs = list(self._in_chunks(stretches))
        self._tail = _in_no_chunk(reader, self.chain, stretches)
        if self._tail is not None:
            self.refs.append(_ref(None, self._tail))
        self.channels = [Channel(row.id, row.name, row.scaling) for row in reader.channels()]

    def _in_chunks(self, stretches: Sequence[Stretch]) -> Iterator[ChunkRef]:
        for entry in sorted(self.chain.standing(), key=lambda entry: (entry.start_ms, entry.id)):
            if any(entry.start_ms < end and entry.end_ms > start for start, end in stretches):
                chunk = chunk_by_id(self._connection, entry.id)
                try:
                    decode(chunk)
                except ChunkDamagedError as damage:
                    self.damaged.append(f"Left out: {damage}.")
                    continue
                yield _ref(entry.id, chunk)

    def load(self, ref: ChunkRef) -> Chunk:
        if ref.id is None:
            assert self._tail is not None
            return self._tail
        return chunk_by_id(self._connection, ref.id)

    def chain_part(self) -> dict[str, Any]:
        """For the page: the archive's id, and in words what of the readings is signed."""
        upto, last = self.chain.signed_upto(), max(self.chain.entries, default=0)
        signed = sum(1 for ref in self.refs if ref.id is not None and ref.id <= upto)
        words = f"{last} entries, signed up to entry {upto}; {signed} of {len(self.refs)} chunks "
        words += "of readings in this pack lie before that"
        return {"archive": self.chain.archive, "words": words}

    def close(self) -> None:
        self._connection.close()


def _ref(number: int | None, chunk: Chunk) -> ChunkRef:
    return ChunkRef(number, chunk.start_ms, chunk.end_ms, chunk.samples, chunk.codec, chunk.crc)


def _in_no_chunk(reader: ArchiveReader, chain: Chain, stretches: Sequence[Stretch]) -> Chunk | None:
    """What the stretches need of the last minutes, which are in no chunk yet, as one chunk."""
    done_ms = max((entry.end_ms for entry in chain.standing()), default=-(1 << 62))
    late = [(max(start, done_ms), end) for start, end in stretches if end > done_ms]
    columns: list[Column] = []
    for row in reader.channels():
        for start_ms, end_ms in late:
            columns += [
                Column(row.id, series.t_ms, series.raw)
                for series in reader.series(row.name, start_ms, end_ms)
                if series.scaling == row.scaling
            ]
    joined = _joined(columns)
    if not joined:
        return None
    first_ms = min(int(column.t_ms[0]) for column in joined) - 1
    return encode(joined, first_ms, max(int(column.t_ms[-1]) for column in joined))


def _joined(columns: Sequence[Column]) -> list[Column]:
    from sootsayer.store.minutes import Gathered, merge

    gathered = Gathered()
    gathered.extend(columns)
    return merge(gathered)


class _Writing:
    """Members and, beside each, what the manifest says of it."""

    def __init__(self, out: BinaryIO, masking: parts_of.Masking) -> None:
        self._pack = PackWriter(out)
        self._masking = masking
        self._listed: list[dict[str, Any]] = []

    def add(self, name: str, pieces: Any, method: int = 8) -> None:
        sums: Sums = self._pack.add(name, pieces, method)
        member = self._pack.members[-1]
        self._listed.append({
            "name": name, "size": member.size_bytes, "sha256": sums.contents,
            "packed_size": member.packed_bytes, "packed_sha256": sums.packed,
        })  # fmt: skip

    def text(self, name: str, text: str) -> None:
        self.add(name, [text.encode("utf-8")])

    def json(self, name: str, value: Any) -> None:
        self.add(name, [self._masking.json(value)])

    def sign(self, key: DeviceKey, made_utc: str, wanted: Wanted) -> None:
        """The manifest, its signature, and the end of the file."""
        form = {
            "form": FORM,
            "made": made_utc,
            "program": __version__,
            "public_key": key.public.hex(),
            "wanted": asdict(wanted),
            "members": self._listed,
        }
        manifest = json.dumps(form, ensure_ascii=False, indent=1).encode("utf-8") + b"\n"
        self._pack.add(MANIFEST, [manifest], STORED)
        self._pack.add(SIGNATURE, [key.sign(SIGNED + manifest).hex().encode() + b"\n"], STORED)
        self._pack.finish()
