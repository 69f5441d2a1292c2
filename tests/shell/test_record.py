"""`sootsayer record`: a conversation becomes a file, and the file gives what the car gave."""

from __future__ import annotations

import io
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from older_link import OlderCar
from sootsayer.cli import commands
from sootsayer.model import Identity, SootsayerError
from sootsayer.protocol.transcript import parse
from sootsayer.sources.captures import read_captures
from sootsayer.transcribing import Transcriber, record
from sources.conftest import TinyAdapter

VIN = "SOOTSAYERDEM0CAR1"
PATIENCE_S = 15.0


@pytest.fixture(params=["can", "KWP"])
def adapter(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[TinyAdapter]:
    can = request.param == "can"
    adapter = TinyAdapter(tmp_path) if can else OlderCar(tmp_path, request.param)
    adapter.plug()
    yield adapter
    if adapter._master >= 0:
        adapter.unplug()


def recorded(adapter: TinyAdapter, out: Path, *, show_vin: bool = False) -> int:
    """Record until the vehicle's number and some values have been asked for."""
    stop = threading.Event()

    def enough() -> None:
        adapter.wait_heard(lambda heard: "0902" in heard and len(heard) > 60)
        stop.set()

    watcher = threading.Thread(target=enough)
    watcher.start()
    turns = record(str(adapter.port), out, stop, show_vin=show_vin)
    watcher.join(PATIENCE_S)
    return turns


def test_a_recording_gives_what_the_car_gave(adapter: TinyAdapter, tmp_path: Path) -> None:
    out = tmp_path / "car.txt"
    turns = recorded(adapter, out)
    text = out.read_text()
    assert len(parse(text).parts[0].turns) == turns > 50
    batches = list(read_captures([out]))
    values = {s.channel: float(s.values()[-1]) for b in batches for s in b.series}
    assert values["rpm"] == 1726.0
    assert values["egr_pct"] == pytest.approx(25.098, abs=1e-3)
    assert values["adapter_voltage"] == pytest.approx(14.1)


def test_the_vehicles_number_is_masked_unless_asked_for(
    adapter: TinyAdapter, tmp_path: Path
) -> None:
    digits = VIN[4:8].encode().hex().upper()
    masked, shown = tmp_path / "masked.txt", tmp_path / "shown.txt"
    recorded(adapter, masked)
    assert VIN not in masked.read_text() and digits not in masked.read_text()
    adapter.heard.clear()
    recorded(adapter, shown, show_vin=True)
    vins = {e.value for b in read_captures([shown]) for e in b.events if _is_vin(e)}
    assert vins == {VIN}


def _is_vin(event: object) -> bool:
    return isinstance(event, Identity) and event.key == "vin"


def test_the_head_says_with_what_it_was_made(adapter: TinyAdapter, tmp_path: Path) -> None:
    out = tmp_path / "car.txt"
    recorded(adapter, out)
    facts = parse(out.read_text()).facts
    assert {"started", "version", "python", "port"} <= facts.keys()
    assert "# setting charging_volts = " in out.read_text()
    assert "# adapter says adapter = TINY V1.0" in out.read_text()
    assert "# adapter reading: " in out.read_text()


def test_replay_shows_what_is_made_of_it(adapter: TinyAdapter, tmp_path: Path) -> None:
    out = tmp_path / "car.txt"
    recorded(adapter, out)
    result = CliRunner().invoke(commands, ["replay", str(out)])
    assert result.exit_code == 0
    assert "rpm 1726 rpm" in result.output


def test_an_existing_file_is_not_overwritten(tmp_path: Path) -> None:
    out = tmp_path / "car.txt"
    out.write_text("mine")
    with pytest.raises(SootsayerError, match="exists already"):
        record("/dev/null", out, threading.Event())
    assert out.read_text() == "mine"


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(SootsayerError, match="cannot be written"):
        record("/dev/null", tmp_path / "no" / "car.txt", threading.Event())


def test_a_line_that_means_nothing_is_told_by_replay(tmp_path: Path) -> None:
    out = tmp_path / "car.txt"
    out.write_text("# Sootsayer transcript 1\nhello\n")
    result = CliRunner().invoke(commands, ["replay", str(out)])
    assert isinstance(result.exception, SootsayerError)
    assert "line 2: 'hello' means nothing" in str(result.exception)


def test_a_transcript_without_readings_is_told(tmp_path: Path) -> None:
    out = tmp_path / "car.txt"
    out.write_text("# Sootsayer transcript 1\n> 0100\n< UNABLE TO CONNECT\\r\\r>\n")
    with pytest.raises(SootsayerError, match="holds 1 requests and no answer that is a reading"):
        list(read_captures([out]))


def test_chatter_without_a_prompt_is_written_in_pieces() -> None:
    out = io.StringIO()
    transcriber = Transcriber(out, lambda: 5)
    for _ in range(100):
        transcriber.tap("received", b"x" * 100)
    transcriber.close()
    assert max(map(len, out.getvalue().splitlines())) < 5000
    assert out.getvalue().count("x") == 10_000


def test_a_number_that_comes_late_is_masked_too() -> None:
    out = io.StringIO()
    transcriber = Transcriber(out, lambda: 5)
    transcriber.tap("sent", b"0902\r")
    transcriber.tap("received", b"NO DATA\r\r>")
    transcriber.tap("sent", b"010C\r")
    transcriber.tap("received", b"7E81014490201534F4F\r7E82154534159455244\r\r>")
    transcriber.close()
    assert "534F4F" not in out.getvalue() and "545341" not in out.getvalue()
