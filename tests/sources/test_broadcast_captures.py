"""Recordings of broadcasts in every format: J1939 by itself, other cars by their DBC file."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path

import can
import pytest

from sootsayer.model import Batch, CodeSeen, SootsayerError
from sootsayer.sources.captures import read_captures
from sootsayer.sources.dbc import load_dbc

START_S = 1_700_000_000.0
TRUCK = [
    # J1939: engine speed 1000 rpm, EGR position 25 %, command 25 %, coolant 83 °C, one code
    (0x0CF00400, True, "FFFFFF401FFFFFFF"),
    (0x18FD9400, True, "10274026FFFFFFFF"),
    (0x18FDD500, True, "FFFFFFFF1027FFFF"),
    (0x18FEEE00, True, "7BFFFFFFFFFFFFFF"),
    (0x18FECA00, True, "4000E70A0503FFFF"),
]
VALUES = {"rpm": 1000.0, "egr_a_act": 25.0, "egr_a_cmd": 25.0, "ect": 83.0}
TESTER = [(0x7E8, False, "04410C1AF8000000")]
OWN = [(0x280, False, "0FA0000000000000"), (0x123, False, "DEADBEEF")]

Frames = Sequence[tuple[int, bool, str]]


def messages(frames: Frames) -> list[can.Message]:
    return [
        can.Message(
            timestamp=START_S + number / 10,
            arbitration_id=address,
            is_extended_id=extended,
            data=bytes.fromhex(body),
            channel=0,
        )
        for number, (address, extended, body) in enumerate(frames)
    ]


def logged(path: Path, frames: Frames) -> Path:
    with can.Logger(path) as log:
        for message in messages(frames):
            log(message)
    return path


def eye(path: Path, frames: Frames) -> Path:
    lines = []
    for message in messages(frames):
        width = 8 if message.is_extended_id else 3
        body = message.data.hex(" ").upper()
        lines.append(
            f" ({message.timestamp:.6f})  can0  {message.arbitration_id:0{width}X}"
            f"   [{len(message.data)}]  {body}"
        )
    path.write_text("\n".join(lines) + "\n")
    return path


def values(batches: Sequence[Batch]) -> dict[str, float]:
    return {
        series.channel: float(series.values()[-1]) for batch in batches for series in batch.series
    }


@pytest.mark.parametrize("name", ["drive.asc", "drive.blf", "drive.trc", "drive.log", "drive.eye"])
def test_j1939_is_recognised_in_every_format(tmp_path: Path, name: str) -> None:
    write = eye if name.endswith("eye") else logged
    batches = list(read_captures([write(tmp_path / name, TRUCK)]))
    found = values(batches)
    assert {channel: found[channel] for channel in VALUES} == pytest.approx(VALUES)
    codes = [e.code for b in batches for e in b.events if isinstance(e, CodeSeen)]
    assert codes == ["SPN 2791 FMI 5"]


def test_mf4_is_read_with_its_library(tmp_path: Path) -> None:
    found = values(list(read_captures([logged(tmp_path / "drive.mf4", TRUCK)])))
    assert {channel: found[channel] for channel in VALUES} == pytest.approx(VALUES)


def test_mf4_without_its_library_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "drive.mf4"
    path.write_bytes(b"MDF     4.10    ")
    monkeypatch.setitem(sys.modules, "asammdf", None)
    for module in [name for name in sys.modules if name.startswith("can.io")]:
        monkeypatch.delitem(sys.modules, module)
    monkeypatch.setattr(can, "LogReader", _fresh_log_reader())
    with pytest.raises(SootsayerError, match=r"install sootsayer\[mf4\]"):
        list(read_captures([path]))


def _fresh_log_reader() -> type:
    """python-can looks for asammdf once, when its reader is loaded."""
    from can.io import LogReader

    return LogReader


def test_a_tester_beside_the_broadcasts_is_read_too(tmp_path: Path) -> None:
    batches = list(read_captures([logged(tmp_path / "both.log", [*TESTER, *TRUCK])]))
    speeds = {
        float(value)
        for batch in batches
        for series in batch.series
        if series.channel == "rpm"
        for value in series.values()
    }
    assert speeds == {1726.0, 1000.0}  # (1A F8) / 4 by SAE J1979, and the broadcast
    assert values(batches)["egr_a_act"] == pytest.approx(25.0)


def dbc_files(folder: Path) -> tuple[Path, Path]:
    dbc, signals = folder / "car.dbc", folder / "map.toml"
    dbc.write_text(
        'VERSION ""\nBU_: E\nBO_ 640 ENGINE: 8 E\n SG_ S : 7|16@0+ (0.25,0) [0|0] "rpm" E\n'
    )
    signals.write_text('[signals]\nrpm = "ENGINE.S"\n')
    return dbc, signals


@pytest.mark.parametrize("name", ["own.asc", "own.log"])
def test_a_cars_own_broadcasts_need_its_dbc_file(tmp_path: Path, name: str) -> None:
    path = logged(tmp_path / name, OWN)
    with pytest.raises(SootsayerError, match="or give the car's DBC file"):
        list(read_captures([path]))
    batches = list(read_captures([path], signals=load_dbc(*dbc_files(tmp_path))))
    assert values(batches) == {"rpm": 1000.0}


def test_a_dbc_file_that_fits_nothing_is_trouble(tmp_path: Path) -> None:
    path = logged(tmp_path / "own.log", OWN[1:])
    with pytest.raises(SootsayerError, match="none from a control unit"):
        list(read_captures([path], signals=load_dbc(*dbc_files(tmp_path))))
