"""Recorded and invented dialogues with adapters, each with what must come of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from sootsayer.protocol.headers import LinkKind
from sootsayer.protocol.remarks import Remark
from sootsayer.protocol.replay import replay

FOLDER = Path(__file__).parent.parent / "transcripts"
TRANSCRIPTS = sorted(FOLDER.glob("*.txt"))


@pytest.mark.parametrize("path", TRANSCRIPTS, ids=lambda path: path.stem)
def test_a_transcript_gives_what_is_expected(path: Path, request: pytest.FixtureRequest) -> None:
    found = replay(path.read_text(encoding="utf-8"))
    expected = path.with_suffix(".expected")
    if request.config.getoption("--accept", default=False):
        expected.write_text(found, encoding="utf-8")
    assert found == expected.read_text(encoding="utf-8")


@pytest.mark.parametrize("path", TRANSCRIPTS, ids=lambda path: path.stem)
@pytest.mark.parametrize("step", [1, 2, 7])
def test_cutting_the_bytes_differently_changes_nothing(path: Path, step: int) -> None:
    text = path.read_text(encoding="utf-8")
    assert replay(text, step) == replay(text)


def test_there_are_transcripts_and_each_has_its_expectation() -> None:
    assert len(TRANSCRIPTS) >= 60
    assert {p.stem for p in FOLDER.glob("*.expected")} == {p.stem for p in TRANSCRIPTS}


ALL = {path.stem: path.read_text(encoding="utf-8") for path in FOLDER.glob("*.expected")}
SOURCES = {path.stem: path.read_text(encoding="utf-8") for path in TRANSCRIPTS}


@pytest.mark.parametrize("remark", list(Remark))
def test_every_status_string_occurs_and_is_told(remark: Remark) -> None:
    told = f"remark {remark}"
    assert any(told in text for text in ALL.values()) or remark is Remark.OK


@pytest.mark.parametrize("kind", list(LinkKind))
def test_every_kind_of_link_occurs_in_use_doubled_echoed_and_found(kind: LinkKind) -> None:
    own = [stem for stem, text in SOURCES.items() if f"@link {kind.name}\n" in text]
    assert len(own) >= 4
    assert any(f"<LinkKind.{kind.name}" in ALL[stem] for stem in ALL if stem.startswith("find_"))
    assert any("doubled line" in ALL[stem] for stem in own if "doubled" in stem)


@pytest.mark.parametrize("protocol", "123456789")
def test_every_protocol_of_the_adapter_is_found_once(protocol: str) -> None:
    assert any(f"protocol='{protocol}'" in text for text in ALL.values())


@pytest.mark.parametrize(
    "kind",
    ["clone_", "start_interrupted", "brown_out", "echo_on", "doubled", "two_units", "pending",
     "frames_lost", "padding", "sleep_alerts", "buffer_full", "prompts"],
)  # fmt: skip
def test_each_kind_of_trouble_has_a_transcript(kind: str) -> None:
    assert any(kind in stem for stem in SOURCES)
