"""The script that brings CAN up, with stand-ins for ``ip`` and for the kernel's counts."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = ROOT / "systemd" / "can-up"
UNIT = ROOT / "systemd" / "sootsayer-can@.service"
WORST_EXPOSURE = 20  # tenths of systemd's scale, as for the other units

# ``sleep`` stands for listening: the car talks at $TRUE_RATE, other rates show errors.
SLEEP = """#!/bin/sh
now=$(cat "$STATE/rate")
[ "$TALKS" = yes ] || exit 0
if [ "$now" = "$TRUE_RATE" ]; then echo 900 >"$STATISTICS/rx_packets"
else echo 70 >"$STATISTICS/rx_errors"; fi
"""
IP = """#!/bin/sh
echo "$*" >>"$STATE/said"
while [ $# -gt 0 ]; do [ "$1" != bitrate ] || echo "$2" >"$STATE/rate"; shift; done
echo 0 >"$STATISTICS/rx_packets"; echo 0 >"$STATISTICS/rx_errors"
"""


def bring_up(
    folder: Path, true_rate: int, talks: bool = True, interface: str = "can0", **words: str
) -> tuple[subprocess.CompletedProcess[str], list[str]]:
    statistics = folder / "net" / "can0" / "statistics"
    statistics.mkdir(parents=True)
    tools = folder / "bin"
    tools.mkdir()
    for name, text in (("ip", IP), ("sleep", SLEEP)):
        (tools / name).write_text(text)
        (tools / name).chmod(0o755)
    ran = subprocess.run(
        [str(SCRIPT), interface],
        env={
            "PATH": f"{tools}:/usr/bin:/bin", "STATE": str(folder), "STATISTICS": str(statistics),
            "TRUE_RATE": str(true_rate), "TALKS": "yes" if talks else "no",
            "CAN_SYSFS": str(folder / "net"), **words,
        },
        capture_output=True,
        text=True,
    )  # fmt: skip
    said = folder / "said"
    return ran, said.read_text().splitlines() if said.exists() else []


@pytest.mark.parametrize("rate", [500_000, 250_000])
def test_the_rate_is_found_by_listening(tmp_path: Path, rate: int) -> None:
    ran, said = bring_up(tmp_path, rate)
    assert ran.returncode == 0, ran.stderr
    modes = [(line.split()[7], line.split()[-1]) for line in said if " up " in line]
    assert modes[-1] == (str(rate), "off"), "listen-only ends only at the right rate"
    assert all(mode == "on" for _, mode in modes[:-1])
    assert {rate for rate, mode in modes if mode == "off"} == {str(rate)}


def test_a_silent_bus_gets_the_likelier_rate(tmp_path: Path) -> None:
    ran, said = bring_up(tmp_path, 250_000, talks=False)
    assert ran.returncode == 0 and "nobody talks" in ran.stdout
    assert "bitrate 500000" in said[-1]


def test_errors_at_every_rate_leave_it_listening(tmp_path: Path) -> None:
    ran, said = bring_up(tmp_path, 125_000)
    assert ran.returncode == 1 and "errors at every rate" in ran.stderr
    assert said[-1].endswith("listen-only on")


def test_it_may_stay_silent_for_ever(tmp_path: Path) -> None:
    ran, said = bring_up(tmp_path, 500_000, CAN_MODE="listen-only on")
    assert ran.returncode == 0 and said[-1].endswith("listen-only on")


@pytest.mark.parametrize(("name", "code"), [("can9", 1), ("", 2), ("can0;reboot", 2)])
def test_wrong_names_are_told_and_nothing_is_done(tmp_path: Path, name: str, code: int) -> None:
    ran, said = bring_up(tmp_path, 500_000, interface=name)
    assert ran.returncode == code and said == []
    assert len(ran.stderr.splitlines()) == 1


def test_only_this_unit_may_change_interfaces_and_little_is_exposed(tmp_path: Path) -> None:
    unit = tmp_path / "sootsayer-can@can0.service"
    unit.write_text(UNIT.read_text())
    ran = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", f"--threshold={WORST_EXPOSURE}",
         str(unit)],
        capture_output=True,
        text=True,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stdout.splitlines()[-1:]
    recorder = (ROOT / "systemd" / "sootsayer-recorder.service").read_text()
    assert "CAP_NET_ADMIN" in UNIT.read_text() and "CAP_NET_ADMIN" not in recorder


def test_install_lays_all_that_a_can_interface_needs(tmp_path: Path) -> None:
    install = ROOT / "systemd" / "install"
    ran = subprocess.run(
        [str(install), "--prefix", "/opt/soot", "--can", "can0"],
        env={"DESTDIR": str(tmp_path), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
    )
    assert ran.returncode == 0, ran.stderr
    unit = (tmp_path / "etc/systemd/system/sootsayer-can@.service").read_text()
    assert "ExecStart=/opt/soot/bin/sootsayer-can-up %i" in unit
    assert (tmp_path / "opt/soot/bin/sootsayer-can-up").stat().st_mode & 0o111
    more = tmp_path / "etc/systemd/system/sootsayer-recorder.service.d/can.conf"
    assert "RestrictAddressFamilies=AF_CAN" in more.read_text()
    assert '[can] channel = "can0"' in ran.stdout
