"""The units are valid, hardened, and installed without touching what a person changed."""

from __future__ import annotations

import configparser
import subprocess
from pathlib import Path

import pytest

from sootsayer.settings import load_settings, shipped_settings
from sootsayer.vehicle import load_vehicle

ROOT = Path(__file__).resolve().parents[2]
INSTALL = ROOT / "systemd" / "install"
UNITS = ["sootsayer-recorder.service", "sootsayer-dashboard.service"]
# systemd-analyze security gives 0 (best) to 10; the same scale times ten is its --threshold.
WORST_EXPOSURE = 20


def install(destination: Path, *words: str) -> subprocess.CompletedProcess[str]:
    prefix = destination / "prefix"
    (prefix / "bin").mkdir(parents=True, exist_ok=True)
    program = prefix / "bin" / "sootsayer"  # stands in for the real one, which verify looks for
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    return subprocess.run(
        [str(INSTALL), "--prefix", str(prefix), *words],
        env={"DESTDIR": str(destination), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
    )


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True)


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    ran = install(tmp_path, "--adapter-serial", "SN-0001")
    assert ran.returncode == 0, ran.stderr
    return tmp_path


@pytest.mark.parametrize("unit", UNITS)
def test_the_service_manager_finds_nothing_to_complain_about(installed: Path, unit: str) -> None:
    path = installed / "etc/systemd/system" / unit
    ran = analyze("verify", "--man=no", str(path))
    ours = [line for line in ran.stderr.splitlines() if "sootsayer" in line]
    assert (ran.returncode, ours) == (0, []), ran.stderr


@pytest.mark.parametrize("unit", UNITS)
def test_little_is_exposed(unit: str) -> None:
    path = ROOT / "systemd" / unit
    ran = analyze("security", "--offline=true", f"--threshold={WORST_EXPOSURE}", str(path))
    assert ran.returncode == 0, ran.stdout.splitlines()[-1:]


def test_the_threshold_would_catch_a_bare_unit(tmp_path: Path) -> None:
    bare = tmp_path / "bare.service"
    bare.write_text("[Service]\nExecStart=/bin/true\n")
    limit = f"--threshold={WORST_EXPOSURE}"
    assert analyze("security", "--offline=true", limit, str(bare)).returncode != 0


def test_the_watchdog_waits_longer_than_two_idle_commits() -> None:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(ROOT / "systemd" / "sootsayer-recorder.service")
    idle_s = shipped_settings().recorder.idle_commit_s
    assert float(unit["Service"]["WatchdogSec"]) > 2 * idle_s


def test_files_lie_where_the_services_look(installed: Path) -> None:
    recorder = (installed / "etc/systemd/system/sootsayer-recorder.service").read_text()
    assert f"ExecStart={installed}/prefix/bin/sootsayer watch --wait" in recorder
    rule = (installed / "etc/udev/rules.d/70-sootsayer-adapter.rules").read_text()
    assert 'ENV{ID_SERIAL_SHORT}=="SN-0001"' in rule
    settings = load_settings(installed / "etc/sootsayer/sootsayer.toml")
    assert settings.vehicle.file == ""  # nothing is assumed of a car nobody has described
    assert load_vehicle(installed / "etc/sootsayer/vehicle.example.toml").cylinders == 4


def test_a_second_run_replaces_units_and_keeps_what_a_person_changed(installed: Path) -> None:
    unit = installed / "etc/systemd/system/sootsayer-recorder.service"
    settings = installed / "etc/sootsayer/sootsayer.toml"
    first = unit.read_text()
    unit.write_text("old")
    settings.write_text("# mine\n")
    assert install(installed).returncode == 0
    assert unit.read_text() == first
    assert settings.read_text() == "# mine\n"


def test_a_dry_run_changes_nothing(tmp_path: Path) -> None:
    ran = install(tmp_path, "--dry-run")
    assert ran.returncode == 0
    assert "would write" in ran.stdout
    assert not (tmp_path / "etc").exists()


@pytest.mark.parametrize(
    "words", [["--colour"], ["--adapter-serial"], ["--adapter-serial", 'x", RUN+="/bin/sh']]
)
def test_wrong_words_are_refused_before_anything_is_written(
    tmp_path: Path, words: list[str]
) -> None:
    ran = install(tmp_path, *words)
    assert ran.returncode == 2
    assert len(ran.stderr.splitlines()) == 1
    assert not (tmp_path / "etc").exists()
