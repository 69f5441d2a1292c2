from __future__ import annotations

import hashlib
import sqlite3
import stat
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from sootsayer.model import Batch, Changes, Series, SootsayerError, Trip
from sootsayer.store.archive import Archive
from sootsayer.store.device_key import DeviceKey, fingerprint
from sootsayer.store.verify import Verified, verify

Drive = Callable[..., Iterator[Batch]]
START = 1_764_000_000_000 // 3_600_000 * 3_600_000
TRIP = Trip(1, START, START + 90_000, False, 80.0, 1.0, 0)


def record(path: Path, batches: Iterator[Batch], key: DeviceKey | None = None) -> None:
    with Archive.open(path, key) as archive:
        for batch in batches:
            archive.append(batch)
            archive.commit()


def change(path: Path, *statements: str) -> None:
    connection = sqlite3.connect(path)
    for statement in statements:
        assert connection.execute(statement).rowcount > 0, "the forgery must reach something"
    connection.commit()
    connection.close()


@pytest.fixture
def signed(path: Path, drive: Drive) -> Path:
    """25 minutes in two runs of a recorder: joined tens of minutes and minutes, two heads."""
    key = DeviceKey.beside(path)
    record(path, drive(935, 5000), key)
    record(path, drive(565, 5000, START + 935_000), key)
    return path


def test_what_was_recorded_is_whole_and_signed(signed: Path) -> None:
    found = verify(signed)
    key = DeviceKey.beside(signed)
    assert found == Verified(
        entries=found.entries,
        samples=2 * 15_000,
        signed_entries=found.entries,
        signed_ms=START + 1_500_000,
        devices=(fingerprint(key.public),),
        removals=(),
        broken="",
    )
    assert found.entries > 3


def test_an_archive_without_a_key_is_whole_and_says_it_is_unsigned(
    path: Path, drive: Drive
) -> None:
    record(path, drive(700, 5000))
    found = verify(path)
    assert (found.broken, found.signed_entries, found.devices) == ("", 0, ())


def test_a_trip_that_ends_is_signed_at_once(path: Path, drive: Drive) -> None:
    archive = Archive.open(path, DeviceKey.beside(path))
    for batch in drive(90):
        archive.append(batch)
    archive.apply(Changes(trips=(TRIP,)))
    archive.commit()
    found = verify(path)  # while the recorder goes on
    assert (found.broken, found.samples, found.signed_entries) == ("", 1800, found.entries)
    archive.close()


FORGERIES = {
    "an entry's words": (
        "UPDATE ledger SET samples = samples + 1 WHERE id = 1",
        "entry 1 (chunk, ",
    ),
    "an entry taken out": ("DELETE FROM ledger WHERE id = 2", "entry 3 "),
    "readings taken out": (
        "DELETE FROM chunk WHERE id = (SELECT min(id) FROM chunk)",
        "readings are gone",
    ),
    "readings moved": ("UPDATE chunk SET start_ms = start_ms + 1 WHERE rowid = 1", "another span"),
    "a bit of a body": ("UPDATE chunk SET body = zeroblob(length(body)) WHERE rowid = 1", "check"),
    "what a channel means": ("UPDATE channel SET scale = 0.5 WHERE id = 1", "not those that"),
    "a signature": ("UPDATE head SET signature = zeroblob(64) WHERE id = 2", "signed head 2"),
    "a head's time": ("UPDATE head SET t_ms = t_ms + 1 WHERE id = 1", "signed head 1"),
    "another key": ("UPDATE head SET public_key = zeroblob(32) WHERE id = 1", "signed head 1"),
    "the archive's name": ("UPDATE state SET value = '{\"id\":\"00\"}' WHERE name = 'archive'", ""),
}


@pytest.mark.parametrize("forgery", FORGERIES)
def test_the_first_break_is_named(signed: Path, forgery: str) -> None:
    statement, named = FORGERIES[forgery]
    lowest = sqlite3.connect(signed).execute("SELECT min(id) FROM chunk").fetchone()[0]
    change(signed, statement.replace("rowid = 1", f"id = {lowest}"))
    broken = verify(signed).broken
    assert broken
    assert named in broken


def test_readings_that_no_entry_speaks_of_are_found(signed: Path) -> None:
    change(
        signed,
        "INSERT INTO chunk SELECT 99, start_ms, end_ms, samples, codec, crc, body FROM chunk "
        "LIMIT 1",
    )
    assert "chunk 99" in verify(signed).broken


def test_a_forger_who_mends_the_chain_lacks_the_key(signed: Path, drive: Drive) -> None:
    """All links computed anew over changed readings: only the signature tells."""
    from sootsayer.store import ledger, readings
    from sootsayer.store.chunk import Column, decode, encode
    from sootsayer.store.ledger import Entry, Kind

    connection = sqlite3.connect(signed)
    chunks = [
        readings.chunk_by_id(connection, row[0])
        for row in connection.execute("SELECT id FROM chunk ORDER BY id").fetchall()
    ]
    connection.execute("DELETE FROM ledger")
    connection.execute("DELETE FROM chunk")
    meaning = ledger.definitions(connection)
    _, link = ledger.last(connection)
    for number, chunk in enumerate(chunks, 1):
        forged = [Column(c.channel, c.t_ms, c.raw * 0 + 7) for c in decode(chunk)]
        packed = encode(forged, chunk.start_ms, chunk.end_ms)
        readings.insert(connection, number, packed)
        entry = Entry(number, Kind.CHUNK, chunk.start_ms, chunk.end_ms, chunk.samples, (), "",
                      ledger.content_of(forged, meaning), b"")  # fmt: skip
        link = ledger.put(connection, entry, link)
    connection.commit()
    assert "signed head 1" in verify(signed).broken
    connection.execute("DELETE FROM head")
    connection.commit()
    connection.close()
    found = verify(signed)  # without heads it looks whole, and it says that nobody signed it
    assert (found.broken, found.signed_entries) == ("", 0)


def test_late_readings_are_chained_and_joined(path: Path, drive: Drive) -> None:
    record(path, drive(1300, 5000))
    from sootsayer.model import Scaling

    late = Series("rpm", Scaling("rpm_quarter", 0.25, 0.0, "rpm"),
                  np.array([START + 50]), np.array([9]))  # fmt: skip
    with Archive.open(path) as archive:
        archive.append(Batch(START + 1_301_000, (late,)))
        archive.commit()
    found = verify(path)
    assert (found.broken, found.samples) == ("", 26_001)


def test_the_hash_of_readings_is_what_the_text_says(path: Path, drive: Drive) -> None:
    """DEVELOPERS.md, worked out with hashlib alone."""
    import struct

    record(path, drive(10, 5000))
    connection = sqlite3.connect(path)
    content, link = connection.execute("SELECT content, link FROM ledger").fetchone()
    t_ms = [START + 100 * n for n in range(1, 101)]
    digest = hashlib.sha256()
    for words, scale, raws in (
        ("map\0kpa\0kPa", 1.0, [40 + (t * 31) % 17 for t in t_ms]),
        ("rpm\0rpm_quarter\0rpm", 0.25, [3000 + (t * 7919) % 211 for t in t_ms]),
    ):
        meaning = words.encode() + struct.pack("<dd", scale, 0.0)
        digest.update(struct.pack("<I", len(meaning)) + meaning + struct.pack("<Q", 100))
        digest.update(struct.pack("<100q", *t_ms) + struct.pack("<100q", *raws))
    assert content == digest.digest()
    import json

    name = json.loads(
        connection.execute("SELECT value FROM state WHERE name = 'archive'").fetchone()[0]
    )["id"]
    first = hashlib.sha256(name.encode()).digest()
    text = f"1\nchunk\n{START}\n{START + 10_000}\n200\n\n\n".encode()
    assert link == hashlib.sha256(first + text + content).digest()
    connection.close()


def test_the_key_is_for_its_owner_alone_and_stays(tmp_path: Path) -> None:
    first = DeviceKey.beside(tmp_path / "a.db")
    file = tmp_path / "device.key"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert DeviceKey.beside(tmp_path / "b.db").public == first.public
    file.write_text("not a key")
    with pytest.raises(SootsayerError, match=r"device\.key: cannot be read"):
        DeviceKey.beside(tmp_path / "a.db")


def test_the_signature_is_ed25519_of_rfc_8032() -> None:
    """RFC 8032, section 7.1, test 2."""
    key = DeviceKey(
        bytes.fromhex("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb")
    )
    assert key.public.hex() == "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
    assert key.sign(bytes([0x72])).hex() == (
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
        "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
    )
