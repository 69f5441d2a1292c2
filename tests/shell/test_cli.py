"""Commands told wrong things: one clear line, exit 1 or 2, nothing lost."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from sootsayer.cli import main
from sootsayer.model import Batch, Scaling, Series
from sootsayer.store.archive import Archive

Told = tuple[int, str, str]  # exit code, standard output, standard error
Say = Callable[..., Told]

CAR = 'name = "blue estate car"\ndisplacement_l = 2.4\ncylinders = 4\nfuel = "petrol"\n'


@pytest.fixture
def say(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Say:
    """``say("judge", path)`` runs the command line in a home of its own."""
    monkeypatch.setenv("HOME", str(tmp_path))
    for name in ("STATE_DIRECTORY", "RUNTIME_DIRECTORY", "NOTIFY_SOCKET"):
        monkeypatch.delenv(name, raising=False)

    def run(*words: object) -> Told:
        monkeypatch.setattr(sys, "argv", ["sootsayer", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            main()
        code = ended.value.code
        said = capsys.readouterr()
        return (code if isinstance(code, int) else 1), said.out, said.err

    return run


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Ten minutes of two channels from 2026-11-24T12:00:00Z."""
    path = tmp_path / "some.db"
    t_ms = np.arange(1_795_521_600_000, 1_795_522_200_000, 1000)  # date -u -d @1795521600
    rpm = Series("rpm", Scaling("quarter", 0.25, 0.0, "rpm"), t_ms, np.full(len(t_ms), 3200))
    kpa = Series("map", Scaling("kPa", 1.0, 0.0, "kPa"), t_ms, np.arange(len(t_ms)) % 60)
    with Archive.open(path) as made:
        made.append(Batch(int(t_ms[-1]), (rpm, kpa)))
    return path


def one_line(told: Told, code: int, *named: object) -> None:
    assert told[0] == code, told
    assert told[1] == ""
    assert len(told[2].splitlines()) == 1, told[2]
    assert all(str(word) in told[2] for word in named), told[2]
    assert "Traceback" not in told[2]


# ---------------------------------------------------------------- wrong input


def test_a_vehicle_file_with_a_wrong_key(say: Say, tmp_path: Path) -> None:
    car = tmp_path / "car.toml"
    car.write_text(CAR.replace("cylinders", "cilinders"))
    capture = tmp_path / "drive.log"
    capture.write_text("")
    one_line(say("judge", capture, "--vehicle", car), 1, "car.toml", "cilinders", "cylinders")


def test_a_capture_that_is_not_there(say: Say, tmp_path: Path) -> None:
    one_line(say("judge", tmp_path / "gone.log"), 1, "gone.log", "check the path")


def test_a_capture_that_is_no_recording(say: Say, tmp_path: Path) -> None:
    noise = tmp_path / "holiday.jpg"
    noise.write_bytes(bytes(range(256)) * 20)
    kept = tmp_path / "kept.db"
    one_line(say("judge", noise, "--archive", kept), 1, "holiday.jpg")
    assert list(tmp_path.glob("kept.db*")) == []  # nothing half


def test_a_capture_that_is_a_folder(say: Say, tmp_path: Path) -> None:
    one_line(say("judge", tmp_path), 1, tmp_path)


@pytest.mark.parametrize(
    "command",
    [
        ["judge"],
        ["export", "--out", "-", "--archive"],
        ["watch", "--port", "/dev/null", "--archive"],
    ],
)
def test_a_database_that_is_not_ours(say: Say, tmp_path: Path, command: list[str]) -> None:
    path = tmp_path / "invoices.db"
    with sqlite3.connect(path) as foreign:
        foreign.execute("CREATE TABLE invoice (id INTEGER)")
    foreign.close()
    before = path.read_bytes()
    one_line(say(*command, path), 1, "invoices.db")
    assert path.read_bytes() == before


def test_an_archive_is_never_overwritten_by_judging(say: Say, archive: Path) -> None:
    before = archive.read_bytes()
    one_line(say("judge", archive, "--archive", archive), 1, archive, "exists already")
    assert archive.read_bytes() == before


def test_an_archive_is_not_half_copied_by_judging(say: Say, archive: Path, tmp_path: Path) -> None:
    told = say("judge", archive, "--archive", tmp_path / "copy.db")
    one_line(told, 1, archive, "copy the file")
    assert list(tmp_path.glob("copy.db*")) == []


def test_an_archive_is_not_judged_among_captures(say: Say, archive: Path, tmp_path: Path) -> None:
    capture = tmp_path / "drive.log"
    capture.write_text("(1795521600.000000) can0 7E8#03410C0C80000000\n")
    one_line(say("judge", archive, capture), 1, archive, "judge it alone")


@pytest.mark.parametrize("port", ["/dev/ttyUSB77", "/etc/hostname", "/dev"])
def test_a_port_that_does_not_exist(say: Say, tmp_path: Path, port: str) -> None:
    told = say("watch", "--port", port, "--archive", tmp_path / "a.db")
    one_line(told, 1, port, "--wait")
    assert not (tmp_path / "a.db").exists()


def test_settings_with_a_wrong_key(say: Say, tmp_path: Path) -> None:
    config = tmp_path / "own.toml"
    config.write_text("[recorder]\ncommit = 1\n")
    one_line(say("mark", "x", "--config", config), 1, "own.toml", "recorder.commit", "commit_s")


def test_a_mark_without_a_recorder(say: Say, tmp_path: Path) -> None:
    one_line(say("mark", "knocks", "--archive", tmp_path / "a.db"), 1, "sootsayer watch")


def test_a_dashboard_port_that_is_taken(say: Say, tmp_path: Path) -> None:
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        told = say("web", "--archive", tmp_path / "a.db", "--http-port", port)
    one_line(told, 1, port, "choose another port")


@pytest.mark.parametrize(
    "words",
    [
        ["dance"],
        ["judge"],
        ["judge", "x", "--colour"],
        ["export"],
        ["export", "--alert", "one", "--out", "-"],
        ["export", "--alert", "1", "--start", "2026-11-24T12:00:00Z", "--out", "-"],
        ["web", "--http-port", "70000"],
        ["demo", "--days", "0"],
    ],
)
def test_a_wrong_command_line_exits_2_and_shows_the_usage(say: Say, words: list[str]) -> None:
    code, out, err = say(*words)
    assert (code, out) == (2, "")
    assert err.startswith("Usage: sootsayer") and "Error:" in err


# ---------------------------------------------------------------- export


def test_a_span_as_csv(say: Say, archive: Path) -> None:
    code, out, err = say(
        "export", "--archive", archive, "--start", "2026-11-24T12:00:10Z",
        "--end", "2026-11-24T12:00:12", "--channels", "map, rpm", "--out", "-",
    )  # fmt: skip
    rows = [line for line in out.splitlines() if not line.startswith("#")]
    assert code == 0 and "2 rows" in err
    assert rows[0].startswith("utc,log_ms,")
    assert sorted(rows[0].split(",")[2:]) == ["map [kPa]", "rpm [rpm]"]
    # start < t <= end: seconds 11 and 12; rpm is 3200 quarters = 800.
    assert [row.split(",")[0] for row in rows[1:]] == [
        "2026-11-24T12:00:11.000Z",
        "2026-11-24T12:00:12.000Z",
    ]
    assert sorted(rows[1].split(",")[2:]) == ["11", "800"]


def test_an_export_never_replaces_a_file(say: Say, archive: Path, tmp_path: Path) -> None:
    before = archive.read_bytes()
    one_line(say("export", "--archive", archive, "--out", archive), 1, archive, "exists already")
    assert archive.read_bytes() == before
    told = say("export", "--archive", archive, "--out", tmp_path / "all.csv")
    assert told[0] == 0 and len((tmp_path / "all.csv").read_text().splitlines()) > 600


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["--start", "yesterday"], ["'yesterday'", "2026-11-24T07:30:00Z"]),
        (["--channels", "map,boost"], ["boost", "map"]),
        (["--alert", "3"], ["alert 3", "none"]),
    ],
)
def test_an_export_of_what_is_not_there(
    say: Say, archive: Path, tmp_path: Path, words: list[str], named: list[str]
) -> None:
    out = tmp_path / "out.csv"
    one_line(say("export", "--archive", archive, *words, "--out", out), 1, *named)
    assert list(tmp_path.glob("out.csv*")) == []


# ---------------------------------------------------------------- what is loaded


def loaded_by(statement: str) -> set[str]:
    ran = subprocess.run(
        [sys.executable, "-c", f"{statement}; import sys; print(*sys.modules)"],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return set(ran.stdout.split())


def test_the_recorder_loads_neither_dashboard_nor_demo() -> None:
    loaded = loaded_by("import sootsayer.cli, sootsayer.watching, sootsayer.service")
    assert "serial" in loaded
    assert not loaded & {"flask", "waitress", "sootsayer_web", "can", "scipy", "sootsayer.demo"}


def test_help_loads_no_machinery() -> None:
    loaded = loaded_by("import sootsayer.cli")
    assert not loaded & {"sqlite3", "serial", "flask", "sootsayer.pipeline"}
