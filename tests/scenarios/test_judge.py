"""`sootsayer judge` on candump text of an invented car: the pinned answer, kept and read again."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sootsayer.cli import main
from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.demo.recording import write_candump
from sootsayer.store.reader import ArchiveReader

Judge = Callable[..., str]

CAR = 'name = "blue estate car"\ndisplacement_l = 2.4\ncylinders = 4\nfuel = "petrol"\n'
# The shape pinned for programs that read this answer.
TOP = {"vehicle", "span", "links", "alerts", "causes", "next_check", "circumstances", "sure"}
SPAN = {"start", "end", "engine_s", "trips"}
LINK = {"link", "state", "chances", "failed", "eligible_s", "fact"}
ALERT = {
    "rule", "link", "state", "first", "last", "seen", "chances", "measure", "limit", "text",
}  # fmt: skip
CAUSE = {"cause", "weight", "for", "against"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A capture of a car whose valve never opens, whole and in two parts, and its vehicle file."""
    folder = tmp_path_factory.mktemp("captures")
    stuck = Fault(FaultKind.VALVE_STUCK_SHUT)
    capture = write_candump(folder / "drive.log", [stuck], trips=2, minutes=14.0)
    lines = capture.read_text().splitlines(keepends=True)
    (folder / "first.log").write_text("".join(lines[: len(lines) // 2]))
    (folder / "second.log").write_text("".join(lines[len(lines) // 2 :]))
    (folder / "car.toml").write_text(CAR)
    return folder


@pytest.fixture(scope="module")
def answered() -> dict[tuple[str, ...], str]:
    """What was asked in an earlier test need not be judged again."""
    return {}


@pytest.fixture
def judge(
    folder: Path,
    answered: dict[tuple[str, ...], str],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> Judge:
    """``judge("drive.log", "--json")`` in the folder of the captures; what it printed."""
    monkeypatch.chdir(folder)

    def run(*words: str) -> str:
        if words in answered:
            return answered[words]
        monkeypatch.setattr(sys, "argv", ["sootsayer", "judge", *words, "--vehicle", "car.toml"])
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        assert (ended.value.code, said.err) == (0, "")  # no bar where nobody watches
        answered[words] = said.out
        return said.out

    return run


def test_the_answer_has_the_pinned_shape_and_finds_the_fault(judge: Judge) -> None:
    verdict: dict[str, Any] = json.loads(judge("drive.log", "--json"))
    assert set(verdict) >= TOP
    assert set(verdict["span"]) >= SPAN
    assert [link["link"] for link in verdict["links"]] == [
        "permit", "ask", "move", "flow", "effect",
    ]  # fmt: skip
    assert all(set(link) >= LINK for link in verdict["links"])
    assert verdict["alerts"] and all(set(alert) >= ALERT for alert in verdict["alerts"])
    assert verdict["causes"] and all(set(cause) >= CAUSE for cause in verdict["causes"])
    states = {link["link"]: link["state"] for link in verdict["links"]}
    assert states["move"] == "broken" and states["ask"] == "holding"
    assert verdict["causes"][0]["cause"] == "stuck_shut"
    assert verdict["span"]["start"].endswith("Z")
    assert verdict["vehicle"] == "blue estate car"


def test_for_people_the_sentence_comes_first(judge: Judge) -> None:
    sentence = json.loads(judge("drive.log", "--json"))["sentence"]
    assert " ".join(judge("drive.log").split()).startswith(sentence)


def test_one_recording_in_two_files_gives_the_same_findings(judge: Judge) -> None:
    whole = json.loads(judge("drive.log", "--json"))
    parts = json.loads(judge("second.log", "first.log", "--json"))
    for name in ("sentence", "links", "alerts", "causes"):
        assert parts[name] == whole[name], name


def test_what_was_read_is_kept_and_judged_again_alike(judge: Judge, folder: Path) -> None:
    direct = json.loads(judge("drive.log", "--archive", "kept.db", "--json"))
    again = json.loads(judge("kept.db", "--json"))
    for name in ("vehicle", "span", "sentence", "links", "alerts", "causes", "next_check"):
        assert again[name] == direct[name], name
    with ArchiveReader(folder / "kept.db") as reader:
        kept = reader.verdict()
        assert kept is not None and kept["sentence"] == direct["sentence"]
        assert len(reader.alerts()) == len(direct["alerts"])
        assert [anchor.source for anchor in reader.anchors()] == ["capture"]
        assert sum(row.samples for row in reader.channels()) > 10_000
    assert list(folder.glob("kept.db.part*")) == []
