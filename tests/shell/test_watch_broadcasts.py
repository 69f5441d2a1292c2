"""`sootsayer watch --can … --listen-only`: broadcasts are heard beside a tester's traffic."""

from __future__ import annotations

import threading
from pathlib import Path

import can
import pytest

from sootsayer.clock import LogClock
from sootsayer.model import Reading, SootsayerError, SourceEvent
from sootsayer.settings import CanChoice, shipped_settings
from sootsayer.vehicle import Vehicle
from sootsayer.watching import watch_plan

PATIENCE_S = 15.0
EEC1 = can.Message(arbitration_id=0x0CF00400, data=bytes.fromhex("FFFFFF401FFFFFFF"))


def sources(choice: CanChoice, folder: Path):  # type: ignore[no-untyped-def]
    plan = watch_plan(
        shipped_settings(), "none", folder / "a.sqlite", Vehicle.unknown(), False, can=choice
    )
    return plan.sources


def test_a_silent_recorder_hears_heavy_vehicles(tmp_path: Path) -> None:
    made = sources(CanChoice("truck", "virtual", True), tmp_path)
    assert set(made) == {"can", "broadcasts"}
    heard, stop, reading = [], threading.Event(), threading.Event()

    def hear(event: SourceEvent) -> None:
        heard.append(event)
        if isinstance(event, Reading):
            reading.set()

    with can.Bus(channel="truck", interface="virtual") as car:
        source = made["broadcasts"](LogClock(0))
        thread = threading.Thread(target=source.run, args=(hear, stop), daemon=True)
        thread.start()
        for _ in range(1500):
            car.send(EEC1)
            if reading.wait(0.01):
                break
        stop.set()
        thread.join(PATIENCE_S)
        assert car.recv(timeout=0) is None
    found = next(event for event in heard if isinstance(event, Reading))
    assert any(s.channel == "rpm" and s.raw == 8000 for s in found.samples)


def test_a_recorder_that_asks_hears_no_broadcasts_without_a_dbc_file(tmp_path: Path) -> None:
    assert set(sources(CanChoice("car", "virtual", False), tmp_path)) == {"can"}


def test_half_a_statement_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SootsayerError, match=r"can\.dbc 'car\.dbc' .* belong together"):
        sources(CanChoice("car", "virtual", True, "car.dbc", ""), tmp_path)


def test_a_dbc_file_is_read_before_anything_starts(tmp_path: Path) -> None:
    missing = str(tmp_path / "none.dbc")
    with pytest.raises(SootsayerError, match="cannot be read"):
        sources(CanChoice("car", "virtual", False, missing, missing), tmp_path)
