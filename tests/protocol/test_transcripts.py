"""Recorded and invented dialogues with adapters, each with what must come of it."""

from __future__ import annotations

from pathlib import Path

import pytest

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
