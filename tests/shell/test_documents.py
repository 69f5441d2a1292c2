"""README and DEVELOPERS say what is true: commands, options, paths, dependencies."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import click
import pytest

from sootsayer.cli import commands
from sootsayer.vehicle import vehicle_from

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def fenced(text: str, language: str = "") -> list[str]:
    """The contents of fenced blocks of one language, in order."""
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def test_the_first_two_fenced_lines_are_the_demo_and_the_tests() -> None:
    demo, tests = (block.strip() for block in fenced(README)[:2])
    assert "\n" not in demo + tests
    assert demo.endswith("sootsayer demo")
    assert tests.endswith("tests/check")


def test_every_command_is_in_the_table_and_no_other() -> None:
    listed = set(re.findall(r"^\| `sootsayer ([\w-]+)", README, re.MULTILINE))
    assert listed == set(commands.commands)


@pytest.mark.parametrize("command", sorted(commands.commands))
def test_the_options_shown_exist(command: str) -> None:
    (row,) = re.findall(rf"^\| `sootsayer {command}\b.*$", README, re.MULTILINE)
    known = {
        option
        for parameter in commands.commands[command].params
        if isinstance(parameter, click.Option)
        for option in parameter.opts
    }
    assert set(re.findall(r"--[a-z-]+", row)) <= known


def test_the_vehicle_file_shown_is_a_vehicle_file() -> None:
    (example,) = fenced(README, "toml")
    assert vehicle_from(tomllib.loads(example), "README").displacement_l == 2.4


def test_every_place_in_the_code_map_exists() -> None:
    source = ROOT / "daemon" / "sootsayer"
    rows = re.findall(r"^\| (`.*?) \|", DEVELOPERS.split("## Invariants")[0], re.MULTILINE)
    places = [place for row in rows for place in re.findall(r"`([^`]+)`", row)]
    assert len(places) > 15
    missing = [p for p in places if not ((ROOT / p).exists() or (source / p).exists())]
    assert missing == []


def test_every_package_of_the_recorder_is_in_the_code_map() -> None:
    packages = {path.name for path in (ROOT / "daemon/sootsayer").iterdir() if path.is_dir()}
    packages.discard("__pycache__")
    assert [name for name in sorted(packages) if f"`{name}/`" not in DEVELOPERS] == []


def test_every_dependency_has_its_line() -> None:
    wanted = [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["test"]]
    names = {re.split(r"[><=~ ]", requirement)[0] for requirement in wanted}
    table = DEVELOPERS.split("## Dependencies")[1].split("##")[0]
    assert [name for name in sorted(names) if name not in table] == []
