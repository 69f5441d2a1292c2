"""Settings: what is shipped holds, what a person writes is laid over it or refused in one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from sootsayer.model import SootsayerError
from sootsayer.settings import Settings, archive_path, control_socket_path, load_settings

NOWHERE = Path("/nonexistent/sootsayer.toml")


def own(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "own.toml"
    path.write_text(text)
    return path


def shipped() -> Settings:
    return load_settings(machine_file=NOWHERE)


def test_the_shipped_file_keeps_the_promise_of_two_seconds() -> None:
    assert shipped().recorder.commit_s == 2.0  # budget "power cut", and the README's word


def test_a_persons_file_replaces_single_keys(tmp_path: Path) -> None:
    settings = load_settings(own(tmp_path, "[recorder]\ncommit_s = 5\n"), NOWHERE)
    assert settings.recorder.commit_s == 5.0
    assert settings.recorder.gap_s == shipped().recorder.gap_s


def test_the_machines_file_is_found_without_being_named(tmp_path: Path) -> None:
    machine = own(tmp_path, "[dashboard]\nhttp_port = 9000\n")
    assert load_settings(machine_file=machine).dashboard.http_port == 9000


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("[recorder]\ncommit = 2\n", ["recorder.commit", "commit_s"]),
        ("[engine]\nrpm = 2\n", ["engine", "recorder"]),
        ("recorder = 3\n", ["recorder = 3", "[recorder]"]),
        ("[recorder]\ncommit_s = 'two'\n", ["recorder.commit_s", "'two'", "number"]),
        ("[recorder]\ncommit_s = true\n", ["recorder.commit_s", "True", "number"]),
        ("[recorder]\ncommit_s = 0\n", ["recorder.commit_s = 0", "0.5 to 60"]),
        ("[dashboard]\nhttp_port = 8.5\n", ["dashboard.http_port", "8.5", "whole number"]),
        ("[adapter]\nport = 3\n", ["adapter.port", "text"]),
        ("[recorder\n", ["not valid TOML"]),
    ],
)
def test_what_is_wrong_is_named_in_one_line(tmp_path: Path, text: str, named: list[str]) -> None:
    with pytest.raises(SootsayerError) as caught:
        load_settings(own(tmp_path, text), NOWHERE)
    line = str(caught.value)
    assert "\n" not in line
    assert all(word in line for word in ["own.toml", *named]), line


def test_a_named_file_must_exist() -> None:
    with pytest.raises(SootsayerError, match="cannot be read"):
        load_settings(NOWHERE)


def test_the_archive_lies_where_systemd_says_or_at_home() -> None:
    settings = shipped()
    service = {"STATE_DIRECTORY": "/var/lib/sootsayer:/other"}
    assert archive_path(settings, service, Path("/h")) == Path("/var/lib/sootsayer/archive.db")
    assert archive_path(settings, {}, Path("/h")) == Path("/h/.local/share/sootsayer/archive.db")


def test_the_control_socket_lies_in_the_run_directory_or_beside_the_archive() -> None:
    settings = shipped()
    service = {"RUNTIME_DIRECTORY": "/run/sootsayer"}
    archive = Path("/a/archive.db")
    assert control_socket_path(settings, service, archive) == Path("/run/sootsayer/control.sock")
    assert control_socket_path(settings, {}, archive) == Path("/a/control.sock")
