"""`sootsayer demo`: days of history in seconds, then live; and the same archive judged again."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sootsayer.clock import boottime_ms
from sootsayer.store.reader import ArchiveReader

ROOT = Path(__file__).resolve().parents[2]
CAR = ROOT / "config/sootsayer_config/vehicles/example.toml"  # states what is known of the demo car
MOST_WAIT_S = 120  # beyond it the history hangs; how fast it is, a busy machine cannot tell

Until = Callable[[Callable[[], object], str], None]


def sootsayer(*words: object, **options: Any) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "sootsayer.cli", *map(str, words)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, **options,
    )  # fmt: skip


def output_of(*words: object) -> str:
    process = sootsayer(*words)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    return out


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, float]:
    """The demo's archive, what it said, and how many seconds it took."""
    folder = tmp_path_factory.mktemp("demo")
    start_ms = boottime_ms()
    said = output_of("demo", "--dir", folder, "--no-live")
    return folder / "archive.db", said, (boottime_ms() - start_ms) / 1000


def test_days_of_history_are_made_and_told(told: tuple[Path, str, float]) -> None:
    archive, said, took_s = told
    assert took_s <= MOST_WAIT_S
    assert str(archive) in said and "Look for" in said
    with ArchiveReader(archive) as reader:
        assert reader.check() == []
        first_ms, last_ms = reader.span() or (0, 0)
        assert last_ms - first_ms > 3 * 86_400_000
        # Between trips the key was off, and nothing else is missing.
        assert {gap.reason.split(":")[0] for gap in reader.gaps()} == {"key off"}


def test_the_story_is_found(told: tuple[Path, str, float]) -> None:
    with ArchiveReader(told[0]) as reader:
        verdict = reader.verdict()
    assert verdict is not None
    states = {link["link"]: link["state"] for link in verdict["links"]}
    assert states["flow"] in ("broken", "doubtful")
    assert states["move"] == "holding"
    assert verdict["causes"][0]["cause"] == "passage_choked"


def test_the_archive_judged_again_gives_the_same_verdict(told: tuple[Path, str, float]) -> None:
    again = json.loads(output_of("judge", told[0], "--vehicle", CAR, "--json"))
    with ArchiveReader(told[0]) as reader:
        kept = reader.verdict()
    assert kept is not None
    for name in ("sentence", "links", "alerts", "causes", "next_check", "circumstances", "sure"):
        assert again[name] == kept[name], name


def test_an_alert_leaves_as_csv(told: tuple[Path, str, float], tmp_path: Path) -> None:
    with ArchiveReader(told[0]) as reader:
        row = reader.alerts()[0]
        given = {channel.name for channel in reader.channels()}
    output_of("export", "--archive", told[0], "--alert", row.id, "--out", tmp_path / "alert.csv")
    lines = (tmp_path / "alert.csv").read_text().splitlines()
    head, *rows = csv.reader(line for line in lines if not line.startswith("#"))
    assert head[:2] == ["utc", "log_ms"]
    assert {column.split(" [")[0] for column in head[2:]} == given & set(row.alert.channels)
    assert all(cell.endswith("Z") for cell in (rows[0][0], rows[-1][0]))
    first_ms, last_ms = int(rows[0][1]), int(rows[-1][1])
    assert first_ms <= row.alert.first_ms and row.alert.last_ms <= last_ms + 1000


def test_a_folder_with_an_archive_is_left_alone(told: tuple[Path, str, float]) -> None:
    before = told[0].read_bytes()
    process = sootsayer("demo", "--dir", told[0].parent, "--no-live")
    _, err = process.communicate(timeout=60)
    assert process.returncode == 1
    assert len(err.splitlines()) == 1 and str(told[0]) in err
    assert told[0].read_bytes() == before


def test_live_readings_reach_the_page_until_it_is_interrupted(tmp_path: Path, until: Until) -> None:
    process = sootsayer("demo", "--days", 1, "--http-port", 0, cwd=tmp_path, start_new_session=True)
    try:
        assert process.stdout is not None
        first = process.stdout.readline()
        assert first.startswith("Open http://127.0.0.1:"), first
        address = first.split()[1]

        def answer(path: str) -> dict[str, Any]:
            with urllib.request.urlopen(f"{address}/api/v1/{path}", timeout=20) as response:
                found: dict[str, Any] = json.load(response)
            return found

        until(lambda: answer("health")["recorder"]["state"] == "reading", "the car is read")
        until(lambda: answer("health")["readings_per_s"].get("adapter", 0) > 5, "readings come")
        assert {link["link"] for link in answer("now")["links"]} == {
            "permit", "ask", "move", "flow", "effect",
        }  # fmt: skip
    finally:
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=20)
    assert process.returncode == 0, err
    assert "Traceback" not in err


def test_a_port_that_is_taken_is_told_before_any_waiting(tmp_path: Path) -> None:
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        start_ms = boottime_ms()
        process = sootsayer("demo", "--days", 60, "--http-port", taken.getsockname()[1])
        _, err = process.communicate(timeout=60)
    assert process.returncode == 1
    assert len(err.splitlines()) == 1 and "choose another port" in err
    assert boottime_ms() - start_ms < 10_000  # 60 days would take a minute
