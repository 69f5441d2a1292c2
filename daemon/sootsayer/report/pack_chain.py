"""The chain inside a pack: all its entries and signed heads, walked again without the archive."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sootsayer.store import ledger
from sootsayer.store.device_key import Head, signed_by
from sootsayer.store.ledger import Entry, Kind

ENTRY_MOST_BYTES = (
    100_000  # one line: an entry that replaces ten minutes of chunks has a few hundred
)


@dataclass(frozen=True, slots=True)
class Chain:
    """``archive`` is the archive's id; ``entries`` by their ids, in order."""

    archive: str
    entries: Mapping[int, Entry]
    heads: Sequence[Head]

    def standing(self) -> list[Entry]:
        """Entries whose chunk must be in the archive."""
        replaced = {old for entry in self.entries.values() for old in entry.replaces}
        return [
            entry
            for entry in self.entries.values()
            if entry.kind != Kind.REMOVED and entry.id not in replaced
        ]

    def signed_upto(self) -> int:
        """The last entry that a head covers, 0 without any."""
        return max((head.entry for head in self.heads), default=0)

    def broken(self) -> str:
        """The first break, "" if there is none."""
        before = ledger.first_link(self.archive)
        for number, entry in self.entries.items():
            if entry.linked_to(before) != entry.link:
                return f"entry {number} of the chain was changed, or one before it was taken out"
            if any(old not in self.entries or old >= number for old in entry.replaces):
                return f"entry {number} of the chain replaces one that is not there"
            before = entry.link
        for head in self.heads:
            signed = self.entries.get(head.entry)
            if signed is None or signed.link != head.link:
                return f"signed head {head.id}: the chain it signed ended otherwise"
            if not signed_by(head, self.archive):
                return f"signed head {head.id}: the signature is not of this key"
        return ""


def entry_line(entry: Entry) -> bytes:
    """One line of ``chain/entries.jsonl``."""
    form = {
        "id": entry.id, "kind": str(entry.kind), "start_ms": entry.start_ms,
        "end_ms": entry.end_ms, "samples": entry.samples, "replaces": entry.replaces,
        "why": entry.why, "content": entry.content.hex(), "link": entry.link.hex(),
    }  # fmt: skip
    return json.dumps(form, ensure_ascii=False).encode("utf-8") + b"\n"


def entries_of(lines: Iterable[bytes]) -> dict[int, Entry]:
    """The entries of such lines. Raises ValueError, KeyError or TypeError for anything else."""
    entries: dict[int, Entry] = {}
    for line in lines:
        form = json.loads(line)
        entry = Entry(
            _whole(form["id"]), str(form["kind"]), _whole(form["start_ms"]),
            _whole(form["end_ms"]), _whole(form["samples"]),
            tuple(_whole(old) for old in form["replaces"]), str(form["why"]),
            bytes.fromhex(form["content"]), bytes.fromhex(form["link"]),
        )  # fmt: skip
        if entries and entry.id <= next(reversed(entries)):
            raise ValueError(f"entry {entry.id} is out of order")
        entries[entry.id] = entry
    return entries


def head_form(head: Head) -> dict[str, Any]:
    return {
        "id": head.id, "t_ms": head.t_ms, "entry": head.entry, "link": head.link.hex(),
        "public_key": head.public_key.hex(), "signature": head.signature.hex(),
    }  # fmt: skip


def head_of(form: Mapping[str, Any]) -> Head:
    return Head(
        _whole(form["id"]), _whole(form["t_ms"]), _whole(form["entry"]),
        bytes.fromhex(form["link"]), bytes.fromhex(form["public_key"]),
        bytes.fromhex(form["signature"]),
    )  # fmt: skip


def _whole(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool):
        raise TypeError(f"{value!r} is not a whole number")
    return value
