"""Any change to a pack is found and named; a hostile one is refused in little memory."""

from __future__ import annotations

import io
import json
import re
import struct
import tracemalloc
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import zstandard
from hypothesis import example, given, settings
from hypothesis import strategies as st

from packs import Members, changed, members, pack, put_together, record, signed_again
from sootsayer.report.pack_file import DEFLATED, STORED, PackReader, PackWriter
from sootsayer.report.pack_making import MANIFEST, SIGNATURE
from sootsayer.report.pack_verify import PackRefusedError, verify_pack
from sootsayer.store.chunk import BODY_MAX_BYTES, compress
from sootsayer.store.columns import Writer
from sootsayer.store.device_key import DeviceKey

MEMORY_BYTES = 40_000_000
Change = Callable[[Members], Members]


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    archive = record(tmp_path_factory.mktemp("tampered") / "archive.db")
    return pack(archive, archive.parent / "evidence.zip")


@pytest.fixture(scope="module")
def found(packed: Path) -> Members:
    return members(packed)


@pytest.fixture(scope="module")
def key(packed: Path) -> DeviceKey:
    return DeviceKey.beside(packed)


def refusal(tmp_path: Path, contents: bytes, key: str | None = None) -> str:
    """Why such a file is refused, which it must be."""
    path = tmp_path / "tampered.zip"
    path.write_bytes(contents)
    with pytest.raises(PackRefusedError) as refused:
        verify_pack(path, key)
    text = str(refused.value)
    assert text.startswith(f"pack {path}: ") and "\n" not in text
    return text.removeprefix(f"pack {path}: ")


def test_put_together_again_it_is_the_same(packed: Path, found: Members) -> None:
    """Else the tests below would show nothing."""
    assert put_together(found) == packed.read_bytes()


def test_signed_again_it_is_whole(tmp_path: Path, found: Members, key: DeviceKey) -> None:
    (tmp_path / "again.zip").write_bytes(signed_again(found, key))
    assert verify_pack(tmp_path / "again.zip", key.public.hex()).alerts == 1


# ---------------------------------------------------------------- any byte


@given(at=st.integers(0, 1 << 62), bit=st.integers(0, 7))
@settings(max_examples=250, deadline=None)
@example(at=0, bit=0)
@example(at=-1, bit=7)
@example(at=-22, bit=0)
def test_no_flipped_bit_goes_unnoticed(
    packed: Path, tmp_path_factory: pytest.TempPathFactory, at: int, bit: int
) -> None:
    contents = bytearray(packed.read_bytes())
    contents[at % len(contents)] ^= 1 << bit
    refusal(tmp_path_factory.mktemp("flipped"), bytes(contents))


def test_no_byte_of_headers_and_directory_goes_unnoticed(packed: Path, tmp_path: Path) -> None:
    """Every byte that is not contents, where general readers look away."""
    whole = packed.read_bytes()
    with PackReader(packed) as reader:
        inside = [(m.starts, m.ends) for m in reader.members.values()]
    outside = set(range(len(whole))) - {n for a, b in inside for n in range(a, b)}
    assert len(outside) > 2000
    path = tmp_path / "tampered.zip"
    for at in sorted(outside):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x55]) + whole[at + 1 :])
        with pytest.raises(PackRefusedError):
            PackReader(path)


@given(cut=st.integers(0, 1 << 62))
@settings(max_examples=60, deadline=None)
def test_no_cut_goes_unnoticed(
    packed: Path, tmp_path_factory: pytest.TempPathFactory, cut: int
) -> None:
    whole = packed.read_bytes()
    refusal(tmp_path_factory.mktemp("cut"), whole[: cut % len(whole)])


@pytest.mark.parametrize("more", [b"\0", b"PK\5\6" + bytes(18), b"comment"])
def test_nothing_can_be_put_before_or_after(packed: Path, tmp_path: Path, more: bytes) -> None:
    whole = packed.read_bytes()
    refusal(tmp_path, whole + more)
    refusal(tmp_path, more + whole)


# ---------------------------------------------------------------- by someone without the key


def without(name: str) -> Change:
    return lambda found: {n: c for n, c in found.items() if n != name}


def with_member(name: str, contents: bytes) -> Change:
    def change(found: Members) -> Members:
        rest = dict(found)
        last = {n: rest.pop(n) for n in (MANIFEST, SIGNATURE)}
        return rest | {name: contents} | last

    return change


def edited(name: str, old: bytes, new: bytes) -> Change:
    def change(found: Members) -> Members:
        assert old in found[name]
        return found | {name: found[name].replace(old, new, 1)}

    return change


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (edited("report.html", b"no gas comes", b"all is well"), "report.html: was changed"),
        (edited("verdict.json", b"broken", b"holding"), "verdict.json: was changed"),
        (edited("readings/alert-1.csv", b"75", b"76"), "readings/alert-1.csv: was changed"),
        (edited("rules/rules.toml", b"1", b"2"), "rules/rules.toml: was changed"),
        (without("alerts.json"), "alerts.json: is missing"),
        (without(MANIFEST), "manifest.json: is missing"),
        (without(SIGNATURE), "manifest.sig: is missing"),
        (with_member("note.txt", b"trust me"), "note.txt: stands in no manifest"),
        (edited(MANIFEST, b'"made": "20', b'"made": "19'), "the signature does not fit"),
        (edited(SIGNATURE, b"0", b"1"), "the signature does not fit"),
        (lambda f: dict(sorted(f.items())), "its members are not in the order"),
    ],
)
def test_each_change_is_named(tmp_path: Path, found: Members, change: Change, says: str) -> None:
    assert re.match(says, refusal(tmp_path, put_together(change(found))))


def test_another_key_passes_only_who_does_not_ask(
    tmp_path: Path, found: Members, key: DeviceKey
) -> None:
    """A pack signed anew by somebody else is whole, and is not the device's."""
    forged = signed_again(changed(found, "alerts.json", lambda f: f), DeviceKey(bytes(32)))
    (tmp_path / "forged.zip").write_bytes(forged)
    passed = verify_pack(tmp_path / "forged.zip")
    assert passed.public_key != key.public.hex()
    assert passed.other_keys == (key.public.hex(),)  # the chain still names the device
    assert "was signed by the key" in refusal(tmp_path, forged, key.public.hex())
    theirs = DeviceKey(bytes(32)).public.hex()
    assert "by another key too" in refusal(tmp_path, forged, theirs)


# ---------------------------------------------------------------- by someone with the key


def entry_changed(found: Members) -> Members:
    lines = found["chain/entries.jsonl"].splitlines()
    form = json.loads(lines[1])
    form["samples"] += 1
    lines[1] = json.dumps(form).encode()
    return found | {"chain/entries.jsonl": b"\n".join(lines) + b"\n"}


def entry_taken_out(found: Members) -> Members:
    lines = found["chain/entries.jsonl"].splitlines(keepends=True)
    return found | {"chain/entries.jsonl": b"".join(lines[:1] + lines[2:])}


def chunk_of_another_time(found: Members) -> Members:
    first, second = (name for name in found if name.endswith(".chunk"))
    chunks = json.loads(found["readings/chunks.json"])
    chunks[0]["crc"] = zlib.crc32(
        found[second],
        zlib.crc32("{start_ms} {end_ms} {samples} {codec}".format(**chunks[0]).encode()),
    )
    found = changed(found, "readings/chunks.json", lambda _: chunks)
    return found | {first: found[second]}


def head_moved(form: dict[str, Any]) -> dict[str, Any]:
    form["heads"][0]["entry"] -= 1
    return form


def head_of_later(form: dict[str, Any]) -> dict[str, Any]:
    form["heads"][-1]["t_ms"] += 1
    return form


def clock_moved(form: dict[str, Any]) -> dict[str, Any]:
    form["leads_ms"][-1] += 3_600_000
    return form


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (entry_changed, "entry 2 of the chain was changed"),
        (entry_taken_out, "entry 3 of the chain was changed, or one before it was taken out"),
        (lambda f: changed(f, "chain/heads.json", head_moved), "the chain it signed ended otherw"),
        (lambda f: changed(f, "chain/heads.json", head_of_later), "signature is not of this key"),
        (chunk_of_another_time, "readings/"),
        (edited("readings/alert-1.csv", b"75", b"76"), "is not what the chunks"),
        (lambda f: changed(f, "clock.json", clock_moved), "is not what the chunks"),
        (edited("readings/channels.json", b"0.25", b"0.26"), "readings are not those of the chain"),
        (edited("verdict.json", b'"links"', b'"sinks"'), "verdict.json: has no links"),
        (without("readings/alert-1.csv"), "readings/alert-1.csv: is missing"),
        (edited(MANIFEST, b"pack 1", b"pack 2"), "is of form 'sootsayer evidence pack 2'"),
    ],
)
def test_what_the_holder_of_the_key_cannot_forge_in_part(
    tmp_path: Path, found: Members, key: DeviceKey, change: Change, says: str
) -> None:
    """Signed anew by the device's own key, but its parts do not fit one another."""
    text = refusal(tmp_path, signed_again(change(found), key), key.public.hex())
    assert says in text


@pytest.mark.parametrize("garbage", [b"", b"{}", b"[]", b"null", b"[" * 3000, b"\xff", b'"x"'])
@pytest.mark.parametrize(
    "name",
    ["verdict.json", "alerts.json", "clock.json", "chain/entries.jsonl", "chain/heads.json",
     "readings/channels.json", "readings/chunks.json", "readings/tables.json"],
)  # fmt: skip
def test_no_garbage_does_more_than_be_refused(
    tmp_path: Path, found: Members, key: DeviceKey, name: str, garbage: bytes
) -> None:
    path = tmp_path / "garbage.zip"
    path.write_bytes(signed_again(found | {name: garbage}, key))
    try:
        verify_pack(path)
    except PackRefusedError as refused:
        assert "\n" not in str(refused)


# ---------------------------------------------------------------- hostile


def zipped(*named: tuple[zipfile.ZipInfo, bytes], **how: Any) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", **how) as file:
        for info, contents in named:
            file.writestr(info, contents)
    return out.getvalue()


def plain_info(name: str, mode: int = 0o100644) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.external_attr, info.create_system = mode << 16, 3
    return info


@pytest.mark.parametrize(
    "name", ["../../etc/passwd", "/etc/passwd", "a/b/c", "C:\\x", "..", "", "Report.html", "a//b"]
)
def test_a_name_that_leads_elsewhere(tmp_path: Path, name: str) -> None:
    assert "has a name that no pack" in refusal(tmp_path, zipped((plain_info(name), b"x")))


def test_a_link_is_no_file(tmp_path: Path) -> None:
    link = plain_info("report.html", 0o120777)
    assert "not as we write it" in refusal(tmp_path, zipped((link, b"/etc/passwd")))


def test_two_members_of_one_name(tmp_path: Path, found: Members) -> None:
    out = io.BytesIO()
    writer = PackWriter(out)
    for contents in (b"good", b"bad"):
        writer.add("report.html", [contents], STORED)
    writer.finish()
    assert "two members of one name" in refusal(tmp_path, out.getvalue())


def test_a_way_of_packing_that_is_not_ours(tmp_path: Path) -> None:
    contents = zipped((plain_info("report.html"), b"x" * 99), compression=zipfile.ZIP_BZIP2)
    refusal(tmp_path, contents)


def test_anything_else_is_no_pack(tmp_path: Path) -> None:
    for contents in (b"", b"PK\3\4", b"PK\5\6" + bytes(18), b"%PDF-1.7" * 100):
        refusal(tmp_path, contents)


def measured(tmp_path: Path, contents: bytes) -> tuple[str, int]:
    """Why it is refused, and the most memory that took."""
    tracemalloc.start()
    try:
        text = refusal(tmp_path, contents)
        return text, tracemalloc.get_traced_memory()[1] - len(contents)
    finally:
        tracemalloc.stop()


def bomb(size_bytes: int, said_bytes: int) -> bytes:
    """A member of noughts a thousand times as large as it lies there, under a size that it says."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    piece, crc, packed = bytes(1 << 20), 0, b""
    for _ in range(size_bytes >> 20):
        packed, crc = packed + packer.compress(piece), zlib.crc32(piece, crc)
    packed += packer.flush()
    out = io.BytesIO()
    writer = PackWriter(out)
    writer.add("manifest.json", [b"x"], DEFLATED)
    fitting = writer.members[0]
    member = type(fitting)("manifest.json", DEFLATED, crc, len(packed), said_bytes, 0)
    out.seek(0)
    out.truncate()
    out.write(member.local() + packed)
    writer.members[0] = member
    writer.finish()
    return out.getvalue()


@pytest.mark.parametrize(
    ("size_mb", "said_mb", "says"),
    [(256, 256, "more than any pack needs"), (256, 1, "holds more than it says"),
     (8, 2000, "would unpack to more"), (2, 4, "was changed")],
)  # fmt: skip
def test_a_bomb(tmp_path: Path, size_mb: int, said_mb: int, says: str) -> None:
    contents = bomb(size_mb << 20, said_mb << 20)
    text, most_bytes = measured(tmp_path, contents)
    assert says in text and most_bytes < MEMORY_BYTES


def claiming(number: int) -> bytes:
    """A chunk's body whose one group claims so many readings, in a few bytes."""
    writer = Writer()
    for value in (1, number, 1):
        writer.number(value)
    writer.signed(0)
    for _ in range(2):
        writer.number(0)  # a column of noughts: width 0, no differences
        writer.signed(0)
    for value in (1, 1, 0):
        writer.number(value)
    writer.signed(0)
    return compress(writer.take())


@pytest.mark.parametrize(
    ("body", "samples", "says"),
    [
        (claiming(1 << 40), 10, "a group of 1099511627776 readings"),
        (claiming(1 << 40), 1 << 40, "more than ten minutes can hold"),
        (claiming(3_000_000), 10, "a group of 3000000 readings"),
        (zstandard.compress(bytes(BODY_MAX_BYTES)), 10, "unpack to more than ten minutes"),
        (b"no zstd frame", 10, "is damaged"),
    ],
)
def test_a_monstrous_chunk(
    tmp_path: Path, found: Members, key: DeviceKey, body: bytes, samples: int, says: str
) -> None:
    """Signed by the device's key, so that it is looked at; named before it is unpacked."""
    name = next(name for name in found if name.endswith(".chunk"))

    def told(chunks: list[dict[str, Any]]) -> list[dict[str, Any]]:
        chunks[0]["samples"] = samples
        head = "{start_ms} {end_ms} {samples} {codec}".format(**chunks[0]).encode()
        chunks[0]["crc"] = zlib.crc32(body, zlib.crc32(head))
        return chunks

    monstrous = changed(found, "readings/chunks.json", told) | {name: body}
    text, most_bytes = measured(tmp_path, signed_again(monstrous, key))
    assert says in text and most_bytes < MEMORY_BYTES


def test_a_directory_that_claims_much(tmp_path: Path) -> None:
    end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 65535, 65535, 2**32 - 1, 0, 0)
    text, most_bytes = measured(tmp_path, b"PK\3\4" + bytes(1000) + end)
    assert "not as we write it" in text and most_bytes < MEMORY_BYTES
