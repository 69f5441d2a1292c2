"""The stream source on pseudo-terminals: the demo's control unit, silence, noise, a pulled plug."""

from __future__ import annotations

import os
import threading
import tty
from collections.abc import Callable, Iterator
from dataclasses import replace
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.clock import LogClock
from sootsayer.demo.control_unit import Moment
from sootsayer.demo.stream import EmulatedStream
from sootsayer.model import Identity, Reading, SootsayerError, SourceState, SourceStatus
from sootsayer.protocol.j1979 import scaling_of
from sootsayer.protocol.stream_table import StreamTable, stream_from
from sootsayer.sources.allow import (
    STREAM_READ_MODES,
    ForbiddenError,
    StreamPort,
    check_stream_request,
)
from sootsayer.sources.batching import BatchBuilder
from sootsayer.sources.stream_source import (
    MISSED,
    StreamSettings,
    StreamSource,
    load_stream,
    stream_settings,
)

if TYPE_CHECKING:
    from sources.conftest import Collector

REQUEST = bytes.fromhex("5A 22 01 07 7C")
RAW = {
    "rpm": 4321, "map": 55, "maf": 1234, "tp": 61, "ect": 127, "iat": 71, "vss": 66,
    "sparkadv": 170, "egr_pct": 64, "egr_a_act": 60, "vpwr": 14100, "shrtft1": 131,
    "longft1": 122, "baro": 98, "runtm": 777, "aat": 58, "n_d_stat": 1, "fuelsys1": 2,
}  # fmt: skip
# Half a count of the stream, in the reading's unit: no layout can carry more.
HALF_COUNT = {
    "rpm": 0.25, "map": 0.2, "maf": 0.01, "tp": 0.2, "ect": 0.6, "iat": 0.375, "vss": 0.5,
    "sparkadv": 0.25, "egr_pct": 0.25, "egr_a_act": 0.25, "vpwr": 0.05, "shrtft1": 0.1,
    "longft1": 0.1, "baro": 0.25, "runtm": 0.5, "aat": 0.375, "n_d_stat": 0.0,
}  # fmt: skip


class StillCar:
    """A car that says the same whenever it is asked, as long as its key is on."""

    units = ()
    volts = 14.1
    cranking = False

    def __init__(self) -> None:
        self.key_on = True

    def advance(self, to_ms: int) -> None:
        pass

    def moment(self) -> Moment:
        return Moment(RAW)


@pytest.fixture(scope="module")
def example() -> StreamTable:
    with as_file(files("sootsayer_config").joinpath("streams/example.toml")) as path:
        return load_stream(path)


@pytest.fixture
def quick() -> StreamSettings:
    return replace(
        stream_settings(), reconnect_pauses_s=(0.05,), key_off_pauses_s=(0.05,), missed_replies=2,
        silence_s=0.3,
    )  # fmt: skip


@pytest.fixture
def listen(example: StreamTable, quick: StreamSettings) -> Iterator[Callable[..., Collector]]:
    from sources.conftest import Collector

    collectors: list[Collector] = []

    def run(port: str, table: StreamTable = example, **more: Any) -> Collector:
        source = StreamSource(port, table, LogClock(0), quick, **more)
        collectors.append(Collector(source))  # type: ignore[arg-type]
        return collectors[-1]

    yield run
    for collector in collectors:
        collector.end()


@pytest.fixture
def car() -> Iterator[tuple[StillCar, EmulatedStream]]:
    still = StillCar()
    with EmulatedStream(still, LogClock(0)) as stream:
        yield still, stream


Line = tuple[int, str]


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    """A bare wire: the far end's descriptor, and the near end's path."""
    master, slave = os.openpty()
    tty.setraw(master)
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(slave)
    os.close(master)


def values(reading: Reading) -> dict[str, float]:
    return {s.channel: s.raw * s.scaling.scale + s.scaling.offset for s in reading.samples}


def test_what_the_car_knows_arrives_as_arrays(
    car: tuple[StillCar, EmulatedStream], listen: Callable[..., Collector]
) -> None:
    """The whole path; the car's figures are J1979 counts, so both ends are checked."""
    collector = listen(car[1].port)
    first = collector.wait_channel("rpm")
    collector.wait(lambda e: isinstance(e, Reading) and e.t_ms > first.t_ms)
    builder = BatchBuilder()
    for event in list(collector.events):
        builder.add(event)
    batch = builder.take(LogClock(0).now_ms())
    found = {series.channel: series.values() for series in batch.series}
    assert set(HALF_COUNT) <= set(found)
    for channel, half in HALF_COUNT.items():
        due = RAW[channel] * scaling_of(channel).scale + scaling_of(channel).offset
        assert found[channel] == pytest.approx(due, abs=half + 1e-6), channel
        assert len(found[channel]) >= 2
    assert found["closed_loop_flag"][0] == 1.0
    assert found["lift_sensor_volts"][0] == pytest.approx(0.8 + 0.034 * 60 / 2.55, abs=0.011)
    assert any(isinstance(e, Identity) and e.key == "stream" for e in batch.events)


def test_only_the_data_request_reaches_the_wire(
    car: tuple[StillCar, EmulatedStream], listen: Callable[..., Collector]
) -> None:
    tapped: list[bytes] = []
    collector = listen(
        car[1].port, tap=lambda way, sent: tapped.append(sent) if way == "sent" else None
    )
    first = collector.wait_channel("rpm")
    collector.wait(lambda e: isinstance(e, Reading) and e.t_ms > first.t_ms + 400)
    heard = b"".join(received for _, received in car[1].tap)
    assert set(tapped) == {REQUEST} and heard == REQUEST * (len(heard) // 5)


def test_a_key_turned_off_and_on_again(
    car: tuple[StillCar, EmulatedStream], listen: Callable[..., Collector]
) -> None:
    collector = listen(car[1].port)
    collector.wait_channel("rpm")
    car[0].key_on = False
    off = collector.wait_state(SourceState.KEY_OFF)
    assert off.counters[MISSED] >= 2 and "key is off" in off.reason
    count = len(collector.events)
    car[0].key_on = True
    collector.wait_channel("rpm", since=count)
    collector.wait_state(SourceState.READING, since=count)


def test_a_wire_on_which_nobody_answers(line: Line, listen: Callable[..., Collector]) -> None:
    status = listen(line[1]).wait_state(SourceState.SILENT)
    assert "9600 baud" in status.reason and "right wire" in status.reason


def test_a_missing_port_is_told_and_waited_for(
    tmp_path: Path, listen: Callable[..., Collector]
) -> None:
    collector = listen(str(tmp_path / "nothing"))
    assert "nothing" in collector.wait_state(SourceState.UNPLUGGED).reason


def test_a_plug_pulled_while_reading_is_told(
    example: StreamTable, listen: Callable[..., Collector]
) -> None:
    stream = EmulatedStream(StillCar(), LogClock(0))
    stream.start()
    collector = listen(stream.port)
    collector.wait_channel("rpm")
    stream.stop()
    collector.wait_state(SourceState.UNPLUGGED)


def by_itself() -> StreamTable:
    return stream_from(
        {
            "name": "talks by itself",
            "line": {"baud": 8192},
            "frame": {"kind": "fixed", "checksum": "zero-sum"},
            "message": [
                {
                    "name": "all", "id": "AA 55", "data_bytes": 1,
                    "row": [{"name": "speed", "role": "vss", "at": 0, "unit": "km/h",
                             "min": 0, "max": 200}],
                }
            ],
        },
        "x",
    )  # fmt: skip


def test_a_stream_that_comes_by_itself_is_only_heard(
    line: Line, listen: Callable[..., Collector]
) -> None:
    master, port = line
    collector = listen(port, by_itself())
    collector.wait(lambda e: isinstance(e, SourceStatus) and "listening" in e.reason)
    os.write(master, b"\x00\xaa" + bytes((0xAA, 0x55, 66, -(0xAA + 0x55 + 66) & 0xFF)))
    assert values(collector.wait_channel("vss")) == {"vss": 66.0}
    collector.wait_state(SourceState.KEY_OFF)  # it has fallen silent
    os.set_blocking(master, False)
    with pytest.raises(BlockingIOError):
        os.read(master, 100)


def test_nothing_is_said_into_a_line_that_is_never_silent(
    line: Line,
    listen: Callable[..., Collector],
    example: StreamTable,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sootsayer.sources.stream_source.LONGEST_BUSY_S", 0.8)
    master, port = line
    os.set_blocking(master, False)
    stop = threading.Event()

    def chatter() -> None:
        while not stop.wait(0.002):
            os.write(master, b"\x00")

    thread = threading.Thread(target=chatter)
    thread.start()
    try:
        sent: list[bytes] = []
        table = replace(example, idle_ms=400)  # far above any hiccup of a shared machine
        collector = listen(
            port, table, tap=lambda way, what: sent.append(what) if way == "sent" else None
        )
        status = collector.wait(
            lambda e: (
                isinstance(e, SourceStatus)
                and e.counters.get("stream request held back, line busy", 0) >= 2
            )
        )
        assert isinstance(status, SourceStatus) and sent == []
    finally:
        stop.set()
        thread.join()


# ---------------------------------------------------------------- what may be sent


@given(st.binary(max_size=9))
def test_any_bytes_pass_only_as_a_data_request(request: bytes) -> None:
    try:
        check_stream_request(request)
    except ForbiddenError:
        assert len(request) != 5 or request[2] not in STREAM_READ_MODES
        return
    assert len(request) == 5 and request[2] == 0x01


@pytest.mark.parametrize("mode", sorted(set(range(256)) - STREAM_READ_MODES))
def test_no_other_mode_passes_whatever_a_definition_says(mode: int, tmp_path: Path) -> None:
    """Silence, read memory, actuate, clear: none can be had by writing it into a definition."""
    request = bytes((0x5A, 0x22, mode, 0x07))
    request += bytes((-sum(request) & 0xFF,))
    path = tmp_path / "mine.toml"
    path.write_text(
        f"""name = "x"
[line]
baud = 9600
[frame]
kind = "counted"
length_base = 0x20
mode = {mode}
checksum = "zero-sum"
[[message]]
name = "m"
id = "5A"
data_bytes = 1
request = "{request.hex()}"
period_s = 1
[[message.row]]
name = "a"
at = 0
min = 0
max = 1
"""
    )
    with pytest.raises(SootsayerError, match=r"mine\.toml: request .* only mode 01"):
        load_stream(path)


@given(st.lists(st.binary(max_size=8), max_size=4), st.binary(max_size=8))
def test_a_port_sends_nothing_but_its_own_requests(named: list[bytes], sent: bytes) -> None:
    try:
        port = StreamPort("loop://", 9600, [REQUEST, *named])
    except ForbiddenError:
        return
    try:
        port.send(sent)
    except ForbiddenError:
        assert port.read(wait=False) == b""
    else:
        assert sent in (REQUEST, *named) and sent[2] == 0x01
    finally:
        port.close()


def test_a_port_without_requests_is_dumb(line: Line) -> None:
    port = StreamPort(line[1], 9600, [])
    with pytest.raises(ForbiddenError):
        port.send(REQUEST)
    assert {name for name in dir(port) if not name.startswith("_")} == {"send", "read", "close"}
    port.close()


@pytest.mark.parametrize("text", ["name = ", "\xff"])
def test_a_file_that_is_none_is_told(tmp_path: Path, text: str) -> None:
    path = tmp_path / "bad.toml"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(SootsayerError, match="not valid TOML"):
        load_stream(path)
    with pytest.raises(SootsayerError, match="cannot be read"):
        load_stream(tmp_path / "missing.toml")


def test_chatter_of_another_message_is_no_reply(
    line: Line, listen: Callable[..., Collector], example: StreamTable
) -> None:
    """It is read, and the unit that was asked still counts as silent."""
    chatter = replace(example.messages[0], name="chatter", head=b"\x6b\x37\x01", request=b"")
    table = replace(example, messages=(*example.messages, chatter), reply_ms=50)
    master, port = line
    body = bytes.fromhex("6B 37 01") + bytes(22)
    stop = threading.Event()

    def talk() -> None:
        while not stop.wait(0.05):
            os.write(master, body + bytes((-sum(body) & 0xFF,)))

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        collector = listen(port, table)
        collector.wait_channel("rpm")
        status = collector.wait(
            lambda e: isinstance(e, SourceStatus) and e.counters.get(MISSED, 0) >= 2
        )
        assert isinstance(status, SourceStatus) and status.state is SourceState.KEY_OFF
    finally:
        stop.set()
        thread.join()
