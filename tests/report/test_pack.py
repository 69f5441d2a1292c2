"""A pack holds what it should, can be checked by strangers, and is never let go of."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import zipfile
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import pytest
from click.testing import CliRunner
from nacl.signing import VerifyKey
from playwright.sync_api import Browser, sync_playwright

from packs import HOUR, MINUTE, START, VIN, a_verdict, an_alert, drive, members, pack, record
from sootsayer.cli import commands
from sootsayer.control import ask
from sootsayer.evidence import Request, hold, pack_archive
from sootsayer.model import Batch, Changes, SootsayerError
from sootsayer.report.pack_choice import MOST_S, Wanted, taken
from sootsayer.report.pack_making import make_pack, plan_pack
from sootsayer.report.pack_verify import PackFound, verify_pack
from sootsayer.store.archive import Archive
from sootsayer.store.device_key import DeviceKey
from sootsayer.store.reader import ArchiveReader
from sootsayer.store.retention import Policy
from sootsayer.store.verify import verify
from sootsayer.store.walltime import utc_text
from web_recorder import recording

GREEDY = Policy(full_days=0, around_days=0, around_s=0, most_mb=0.000001, least_free_mb=0)
CHROMIUM = "/usr/bin/chromium"
CHROMIUM_ARGUMENTS = ["--headless", "--no-sandbox", "--disable-gpu", "--no-first-run"]


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record(tmp_path_factory.mktemp("packed") / "archive.db")


@pytest.fixture(scope="module")
def packed(archive: Path) -> Path:
    return pack(archive, archive.parent / "evidence.zip")


def run(*words: object) -> tuple[int, str]:
    result = CliRunner().invoke(commands, [str(word) for word in words])
    said = result.output if result.exception is None else f"{result.output}{result.exception}"
    return (0 if result.exception is None else 1), said


# ---------------------------------------------------------------- what is in it


def test_the_commands_make_and_check_it(archive: Path, tmp_path: Path) -> None:
    out = tmp_path / "evidence.zip"
    status, said = run("pack", "--archive", archive, "--out", out)
    assert status == 0, said
    key = DeviceKey.beside(archive).public.hex()
    assert f"sootsayer verify {out} --key {key}" in said
    status, said = run("verify", out, "--key", key)
    assert status == 0 and said.startswith("The pack is whole.\n"), said
    assert "which is the one given" in said.replace("\n", " ")
    assert "whoever has the device or its card could sign anything" in said.replace("\n", " ")
    status, said = run("verify", archive)
    assert status == 0 and said.startswith("The chain is whole."), said
    assert run("verify", archive, "--key", key)[0] == 0


def test_neither_pack_nor_archive(packed: Path, tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("Dear Sir or Madam")
    (tmp_path / "flipped.zip").write_bytes(b"Q" + packed.read_bytes()[1:])
    for name in ("letter.txt", "flipped.zip", "none.zip"):
        status, said = run("verify", tmp_path / name)
        assert status == 1 and name in said and "\n" not in said.strip(), said


def test_a_key_made_for_the_pack_is_said(archive: Path, tmp_path: Path) -> None:
    """A copy without its key: the chain names the device, the pack whoever made it."""
    (tmp_path / "copy.db").write_bytes(archive.read_bytes())
    status, said = run("pack", "--archive", tmp_path / "copy.db", "--out", tmp_path / "copy.zip")
    assert status == 0 and "so one was made" in said, said
    found = verify_pack(tmp_path / "copy.zip")
    assert found.other_keys == (DeviceKey.beside(archive).public.hex(),)
    assert "the chain was signed by another key" in run("verify", tmp_path / "copy.zip")[1]


def test_another_key_is_named(archive: Path, packed: Path) -> None:
    other = "ab" * 32
    for file in (archive, packed):
        status, said = run("verify", file, "--key", other)
        assert status == 1 and "not by the" in said, said
    status, said = run("verify", packed, "--key", "abc")
    assert (
        status == 1
        and "64 hexadecimal digits"
        in CliRunner().invoke(commands, ["verify", str(packed), "--key", "abc"]).output
    )


def test_what_a_pack_says_of_itself(archive: Path, packed: Path) -> None:
    found = verify_pack(packed)
    assert isinstance(found, PackFound)
    # The alert and its chances lie within 5 to 12 minutes of the second drive: two chunks of ten.
    assert (found.alerts, found.chunks, found.signed, found.unchained) == (1, 2, 2, 0)
    assert found.public_key == DeviceKey.beside(archive).public.hex()
    assert found.other_keys == () and found.removals == 0


def test_the_verdict_has_the_pinned_shape(packed: Path) -> None:
    verdict = json.loads(members(packed)["verdict.json"])
    # The keys pinned for ``judge --json`` in the architecture.
    assert {"vehicle", "span", "links", "alerts", "causes", "next_check", "circumstances",
            "sure"} <= set(verdict)  # fmt: skip
    assert verdict["sentence"] == "The valve opens & no gas comes."


def test_the_table_holds_what_the_archive_holds(archive: Path, packed: Path) -> None:
    """Row by row against the reader: the same stamps, raw integers, values and UTC."""
    text = members(packed)["readings/alert-1.csv"].decode()
    rows = list(csv.DictReader(line for line in io.StringIO(text) if not line.startswith("#")))
    stretches = json.loads(members(packed)["alerts.json"])[0]["stretches"]
    with ArchiveReader(archive) as reader:
        for name, unit in (("rpm", "rpm"), ("map", "kPa")):
            told = [(int(row["log_ms"]), row) for row in rows if row[f"{name} raw"]]
            stored = [
                (int(t_ms), int(raw), value)
                for one in stretches
                for series in reader.series(name, one["start_ms"], one["end_ms"])
                for t_ms, raw, value in zip(series.t_ms, series.raw, series.values(), strict=True)
            ]
            assert len(stored) > 500
            assert [(t, int(row[f"{name} raw"])) for t, row in told] == [s[:2] for s in stored]
            values = [float(row[f"{name} [{unit}]"]) for _, row in told]
            assert values == pytest.approx([s[2] for s in stored])
            assert all(row["utc"] == utc_text(t) for t, row in told)
    assert "# rpm: scale 0.25, offset 0.0, unit rpm, scaling rpm/4" in text


def test_chances_are_chosen_worst_first_and_counted() -> None:
    spans = [(at * HOUR, at * HOUR + 600_000) for at in range(20)]
    stretches = taken(spans)
    assert sum(end - start for start, end in stretches) <= MOST_S * 1000
    assert stretches[0][0] == -60_000 and len(stretches) == 10  # 12 minutes each, of two hours


def test_the_vehicle_number_is_masked_everywhere(archive: Path, packed: Path) -> None:
    masked, whole = "*" * 13 + VIN[-4:], VIN.encode()
    found = members(packed)
    assert [name for name, contents in found.items() if whole in contents] == []
    for name in ("report.html", "records.json", "vehicle.json", "verdict.json"):
        assert masked in found[name].decode(), name
    told = members(pack(archive, packed.parent / "with.zip", with_vin=True))
    assert whole in told["report.html"] and whole in told["vehicle.json"]


def test_the_same_archive_gives_the_same_bytes(archive: Path) -> None:
    made = []
    with ArchiveReader(archive) as reader:
        for _ in range(2):
            out = io.BytesIO()
            plan = plan_pack(reader, Wanted())
            key = DeviceKey.beside(archive)
            make_pack(reader, out, plan, Wanted(), key, "2026-11-25T03:00:00Z")
            made.append(out.getvalue())
    assert made[0] == made[1]


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"alert": 9}, "alert 9: not in the archive; it has: 1"),
        ({"since": "2025-11-24T18:00:00Z", "until": "2025-11-24T17:00:00Z"}, "exchange them"),
        ({"since": "2025-11-20T18:00:00Z", "until": "2025-11-24T17:00:00Z"}, "at most 12 h"),
        ({"since": "noon"}, "time 'noon' is not understood"),
    ],
)
def test_what_cannot_be_packed(archive: Path, tmp_path: Path, asked: dict, says: str) -> None:
    with pytest.raises(SootsayerError, match=says) as refused:
        pack(archive, tmp_path / "none.zip", **asked)
    assert "\n" not in str(refused.value) and list(tmp_path.iterdir()) == []


def test_a_file_that_exists_is_left_alone(archive: Path, packed: Path) -> None:
    before = packed.read_bytes()
    with pytest.raises(SootsayerError, match="exists already"):
        pack(archive, packed)
    assert packed.read_bytes() == before


def test_a_span_brings_all_its_readings(archive: Path, tmp_path: Path) -> None:
    out = pack(archive, tmp_path / "span.zip",
               since="2025-11-24T18:05:00Z", until="2025-11-24T18:07:00Z")  # fmt: skip
    assert verify_pack(out).alerts == 0
    found = members(out)
    rows = [row for row in found["readings/span.csv"].decode().splitlines() if row[0] == "2"]
    assert len(rows) == 2 * 120 + 24  # two minutes at 2 Hz, and ect with stamps of its own
    assert rows[0].startswith("2025-11-24T18:05:00.003Z") or "18:05:00.500Z" in rows[0]
    assert b"None in what this pack covers." in found["report.html"]


def test_the_last_minutes_lie_in_the_ring(tmp_path: Path) -> None:
    """While it is recorded, what is in no chunk yet goes into the pack, and it says so."""
    path = tmp_path / "archive.db"
    with Archive.open(path) as archive:
        archive.begin_boot("a", 0, START, True)
        archive.append(Batch(START + 3 * MINUTE, drive(START, START + 3 * MINUTE)))
        alert = an_alert(START + MINUTE, START + 2 * MINUTE)
        archive.apply(Changes(alerts=(alert,), verdict=a_verdict((alert,))))
        archive.commit()
        with ArchiveReader(path) as reader, (tmp_path / "ring.zip").open("xb") as out:
            make_pack(reader, out, plan_pack(reader, Wanted()), Wanted(), DeviceKey(bytes(32)), "")
    found = verify_pack(tmp_path / "ring.zip")
    # From the start to the third minute: 360 rpm, 360 map, 36 ect.
    assert (found.chunks, found.unchained) == (0, 756)


def test_nothing_judged_is_nothing_to_hand_over(tmp_path: Path) -> None:
    Archive.open(tmp_path / "archive.db").close()
    with pytest.raises(SootsayerError, match="nothing has been judged"):
        pack(tmp_path / "archive.db", tmp_path / "none.zip")


# ---------------------------------------------------------------- by a stranger


def test_any_program_opens_it(packed: Path) -> None:
    """Python's own zipfile as the other reader: sums, names, no entry that leads elsewhere."""
    with zipfile.ZipFile(packed) as other:
        assert other.testzip() is None
        assert {name: other.read(name) for name in other.namelist()} == members(packed)
        assert all(not name.startswith(("/", ".")) for name in other.namelist())


def test_a_stranger_checks_it_without_the_program(packed: Path, tmp_path: Path) -> None:
    """As readme.txt in the pack says; OpenSSL is the other implementation of Ed25519."""
    found = members(packed)
    manifest = json.loads(found["manifest.json"])
    for one in manifest["members"]:
        assert sha256(found[one["name"]]).hexdigest() == one["sha256"]
    # RFC 8410, section 4: the twelve bytes before an Ed25519 key in SubjectPublicKeyInfo.
    der = bytes.fromhex("302a300506032b6570032100" + manifest["public_key"])
    assert "302a300506032b6570032100" in found["readme.txt"].decode()
    (tmp_path / "key").write_bytes(der)
    (tmp_path / "signature").write_bytes(bytes.fromhex(found["manifest.sig"].decode()))
    signed = b"sootsayer evidence pack 1\n" + found["manifest.json"]
    for text, good in ((signed, True), (signed + b" ", False)):
        (tmp_path / "signed").write_bytes(text)
        judged = subprocess.run(
            ["openssl", "pkeyutl", "-verify", "-rawin", "-pubin", "-keyform", "DER", "-inkey",
             "key", "-in", "signed", "-sigfile", "signature"],
            cwd=tmp_path, capture_output=True, text=True,
        )  # fmt: skip
        assert ("Signature Verified Successfully" in judged.stdout) == good


def test_a_stranger_walks_the_chain(packed: Path) -> None:
    """By the text of DEVELOPERS.md alone, without any function of ours."""
    found = members(packed)
    told = json.loads(found["chain/heads.json"])
    link = sha256(told["archive"].encode("ascii")).digest()
    links = {}
    for line in found["chain/entries.jsonl"].decode().splitlines():
        one = json.loads(line)
        words = (one["id"], one["kind"], one["start_ms"], one["end_ms"], one["samples"],
                 " ".join(map(str, one["replaces"])), one["why"])  # fmt: skip
        text = "".join(f"{word}\n" for word in words).encode()
        link = sha256(link + text + bytes.fromhex(one["content"])).digest()
        assert link.hex() == one["link"]
        links[one["id"]] = one["link"]
    assert len(links) >= 6 and len(told["heads"]) >= 1
    for head in told["heads"]:
        assert head["link"] == links[head["entry"]]
        text = f"sootsayer head\n{told['archive']}\n{head['t_ms']}\n{head['entry']}\n{head['link']}"
        VerifyKey(bytes.fromhex(head["public_key"])).verify(
            text.encode("ascii"), bytes.fromhex(head["signature"])
        )


# ---------------------------------------------------------------- retention


def starve(path: Path) -> None:
    """Retention that wants everything gone, until it has nothing left that it may take."""
    with Archive.open(path) as archive:
        while not archive.tidy(GREEDY, START + 365 * 24 * HOUR, 0).stuck:
            pass


def standing(path: Path) -> list[int]:
    """Of the first two drives; the last hour has no 10 s level yet, and stays for that reason."""
    with ArchiveReader(path) as reader:
        return reader.stretches(START, START + 2 * HOUR)


def test_retention_takes_all_but_what_a_pack_refers_to(tmp_path: Path) -> None:
    path = record(tmp_path / "archive.db")
    pack(path, tmp_path / "evidence.zip")
    starve(path)
    # Chances from 5 to 12 minutes of the second drive, a minute around: its two chunks of ten.
    assert standing(path) == [START + HOUR, START + HOUR + 10 * MINUTE]
    assert verify(path).broken == ""
    verify_pack(tmp_path / "evidence.zip")


def test_without_a_pack_they_would_be_gone(tmp_path: Path) -> None:
    path = record(tmp_path / "archive.db")
    starve(path)
    assert standing(path) == []


def test_the_recorder_holds_what_it_records(tmp_path: Path) -> None:
    """The whole way: a recorder runs, its socket is asked, the pack is made beside it."""
    with recording(tmp_path) as beside:
        out = tmp_path / "evidence.zip"
        _, found = pack_archive(beside.archive, out, Request(), beside.control)
        assert found.alerts == 1 and found.chunks > 0
        before = set(_all_stretches(beside.archive))
        with pytest.raises(SootsayerError, match="this recorder writes"):
            ask(beside.control, "hold", archive=str(tmp_path / "other.db"), spans="1:2")
        with pytest.raises(SootsayerError, match="'5:5' is no span"):
            ask(beside.control, "hold", archive=str(beside.archive), spans="5:5")
    with Archive.open(beside.archive) as archive:
        while not archive.tidy(GREEDY, 4_000_000_000_000, 0).stuck:
            pass
    kept = set(_all_stretches(beside.archive))
    assert kept and kept <= before
    assert verify(beside.archive).broken == ""


def _all_stretches(path: Path) -> list[int]:
    with ArchiveReader(path) as reader:
        return reader.stretches(-(1 << 60), 1 << 60)


def test_a_recorder_that_does_not_answer_makes_no_pack(tmp_path: Path) -> None:
    path = record(tmp_path / "archive.db")
    with Archive.open(path), pytest.raises(SootsayerError, match="no recorder answers"):
        pack(path, tmp_path / "evidence.zip")
    assert not list(tmp_path.glob("evidence*"))
    hold(path, [(1, 2)], "direct", tmp_path / "none.sock", DeviceKey.beside(path))


# ---------------------------------------------------------------- the report


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
        yield launched
        launched.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_the_report_stands_alone(
    browser: Browser, packed: Path, tmp_path: Path, width: int, scheme: str
) -> None:
    (tmp_path / "report.html").write_bytes(members(packed)["report.html"])
    context = browser.new_context(
        viewport={"width": width, "height": 900},
        color_scheme=scheme,  # type: ignore[arg-type]
    )
    page = context.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto((tmp_path / "report.html").as_uri())
    assert asked == [(tmp_path / "report.html").as_uri()]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator("h1").inner_text() == "The valve opens & no gas comes."
    for text in ("3 of 4 chances", "limit 0.5 of due", "The passage is choked", "Rod the passage",
                 "It is hot.", "only when hot", "P0401", "key off", "knocks, says owner",
                 "What was not seen", "The car tells no spark retard.", "no repair yet",
                 "the time of day is known", "Blue estate <2.4>"):  # fmt: skip
        assert page.get_by_text(text).first.is_visible(), text
    assert page.locator("svg path.failed").count() == 3
    assert page.locator("svg circle.passed").count() == 1
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert paper == ("rgb(253, 252, 248)" if scheme == "light" else "rgb(20, 24, 27)")
    context.close()


def test_the_report_names_no_other_place_and_runs_nothing(packed: Path) -> None:
    text = members(packed)["report.html"].decode()
    for word in ("http:", "https:", "//", "<script", "<link", "<img", "@import", "url(", "onload"):
        assert word not in text.lower(), word
