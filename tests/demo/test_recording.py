"""Batches and captures of the same drive tell the same, and outside readers agree."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

import can
import isotp
import numpy as np
import pytest

from sootsayer.demo.build import Feedback, Make, Metering
from sootsayer.demo.control_unit import Moment, control_units
from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.demo.journeys import Driven, drive, remembered
from sootsayer.demo.recording import (
    EPOCH_MS,
    batches,
    errands,
    journeys,
    recorded,
    write_candump,
)
from sootsayer.model import (
    Batch,
    CodeSeen,
    CodesRead,
    Identity,
    Reading,
    Scaling,
    SourceState,
    SourceStatus,
)
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.protocol.j1979 import scaling_of
from sootsayer.protocol.monitor_tests import kind_scaling
from sootsayer.protocol.scalings import COUNT
from sootsayer.protocol.vehicle_words import COUNTERS, SPARK_COUNTERS

MINUTES = 5.0
FAULT = Fault(FaultKind.PASSAGE_CHOKED)


@pytest.fixture(scope="module")
def trips() -> list[Driven]:
    return drive(journeys(3, 2, (FAULT,), minutes=MINUTES))


@pytest.fixture(scope="module")
def told(trips: list[Driven]) -> list[Batch]:
    return batches(trips)


def column(told: list[Batch], channel: str) -> tuple[np.ndarray, np.ndarray]:
    parts = [s for batch in told for s in batch.series if s.channel == channel]
    return np.concatenate([s.t_ms for s in parts]), np.concatenate([s.raw for s in parts])


def scaling_as_read(channel: str) -> Scaling:
    """What the program's own reader of replies would say."""
    if channel.startswith("mid31_"):
        return kind_scaling({"81": 0xFD, "85": 0x2F}[channel[9:11]])
    return COUNT if channel in COUNTERS[SPARK_COUNTERS] else scaling_of(channel)


def test_batches_ascend_and_hold_their_promise(told: list[Batch]) -> None:
    before = 0
    for batch in told:
        assert batch.upto_ms > before
        for series in batch.series:
            assert (np.diff(series.t_ms) >= 0).all()
            assert before < series.t_ms[0] and series.t_ms[-1] <= batch.upto_ms
            assert series.scaling == scaling_as_read(series.channel)
        for event in batch.events:
            assert before < event.t_ms <= batch.upto_ms
        before = batch.upto_ms


def test_fast_channels_share_their_stamps_five_times_a_second(told: list[Batch]) -> None:
    stamps = [
        column(told, channel)[0] for channel in ("egr_pct", "egr_err", "rpm", "map", "maf", "tp")
    ]
    for other in stamps[1:]:
        np.testing.assert_array_equal(stamps[0], other)
    assert np.median(np.diff(stamps[0])) == pytest.approx(200, abs=15)
    assert np.diff(stamps[0][:500]).std() > 2.0  # nobody answers to the millisecond


def test_what_the_source_tells_beside_readings(told: list[Batch], trips: list[Driven]) -> None:
    events = [event for batch in told for event in batch.events]
    states = [event.state for event in events if isinstance(event, SourceStatus)]
    assert states == [SourceState.READING, SourceState.KEY_OFF] * len(trips)
    assert {event.key for event in events if isinstance(event, Identity)} >= {"vin", "calibration"}
    reads = [event for event in events if isinstance(event, CodesRead)]
    assert len(reads) >= 3 * len(trips)
    seen = {(event.t_ms, event.status) for event in events if isinstance(event, CodeSeen)}
    assert seen <= {(event.t_ms, event.status) for event in reads}


def test_cutting_differently_changes_no_reading(trips: list[Driven], told: list[Batch]) -> None:
    other = batches(trips, batch_ms=7_300)
    for channel in ("map", "ect", "vss"):
        for a, b in zip(column(told, channel), column(other, channel), strict=True):
            np.testing.assert_array_equal(a, b)


def test_the_same_seed_records_the_same() -> None:
    first, again = (recorded(errands(1, 5, minutes=2.0)) for _ in range(2))
    for channel in ("rpm", "maf"):
        for a, b in zip(column(first, channel), column(again, channel), strict=True):
            np.testing.assert_array_equal(a, b)


def test_channels_the_car_lacks_are_absent() -> None:
    make = Make(metering=Metering.MAP, feedback=Feedback.NONE, shut_raw=12)
    told = recorded(journeys(1, 1, make=make, minutes=2.0))
    channels = {series.channel for batch in told for series in batch.series}
    assert "maf" not in channels and "egr_err" not in channels and "map" in channels
    _, shut = column(told, "egr_pct")
    _, rpm = column(told, "rpm")
    assert shut[rpm > 2400].min() == 12 and (shut[rpm == 0] == 0).all()


def test_results_and_counters_are_told_as_the_reader_of_replies_tells_them() -> None:
    trip = drive(journeys(1, 3, (FAULT,), minutes=18.0))[0]
    told = batches([trip])
    wire = [
        event
        for request in (b"\x06\x31", b"\x09\x08")
        for event in ReplyDecoder().feed(0, "7E8", last_answer(trip, request))
    ]
    said = {s.channel: s.raw for event in wire if isinstance(event, Reading) for s in event.samples}
    assert {"mid31_tid81", "mid31_tid81_min", "egrcomp", "egrcond"} <= set(said)
    for channel in said.keys() & {series.channel for batch in told for series in batch.series}:
        assert column(told, channel)[1][-1] == said[channel]
    assert column(told, "mid31_tid81")[1][-1] < column(told, "mid31_tid81_min")[1][-1]


def last_answer(trip: Driven, request: bytes) -> bytes:
    (stored,) = remembered([trip])
    moment = Moment({}, stored[-1].memory)
    reply = control_units(trip.make)[0].answer(request, moment)
    assert reply is not None
    return reply


# ---------------------------------------------------------------- captures


def replies(path: Path, address: int) -> list[bytes]:
    """Payloads of one control unit as python-can reads and can-isotp puts together the file."""
    waiting = [
        isotp.CanMessage(arbitration_id=address, data=message.data, dlc=message.dlc)
        for message in can.CanutilsLogReader(path)
        if message.arbitration_id == address
    ]
    layer = isotp.TransportLayerLogic(
        rxfn=lambda timeout: waiting.pop(0) if waiting else None,
        txfn=lambda message: None,
        address=isotp.Address(isotp.AddressingMode.Normal_11bits, txid=address - 8, rxid=address),
        params={"blocksize": 0, "stmin": 0},
    )
    payloads = []
    while waiting:
        layer.process()
        while (payload := layer.recv()) is not None:
            payloads.append(bytes(payload))
    return payloads


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_candump(
        tmp_path_factory.mktemp("capture") / "drive.log", (FAULT,), 1, 2, 0.2, minutes=4.0
    )


def test_outside_readers_see_the_drive_in_the_capture(capture: Path) -> None:
    trip = drive(journeys(1, 2, (FAULT,), minutes=4.0))[0]
    fast = [p for p in replies(capture, 0x7E8) if p[:2] == b"\x41\x2c"]
    rpm = np.array([int.from_bytes(p[6:8], "big") for p in fast])
    assert (np.array([p[5] for p in fast]) == 0x0C).all()
    known = trip.column("rpm")[trip.key_on]
    assert len(fast) == pytest.approx(len(known), rel=0.05)
    assert rpm.mean() == pytest.approx(known.mean(), rel=0.01)
    assert rpm.max() == known.max()


def test_the_wire_is_as_on_a_car(capture: Path) -> None:
    count: dict[int, int] = defaultdict(int)
    before = EPOCH_MS / 1000
    for message in can.CanutilsLogReader(capture):
        count[message.arbitration_id] += 1
        assert message.timestamp > before
        before = message.timestamp
    assert {0x7DF, 0x7E0, 0x7E8, 0x7E9} < set(count)
    assert count[0x7E0] > 300  # flow control goes to the unit's own address
    assert any(address < 0x700 for address in count)  # foreign frames
    assert {p[:1] for p in replies(capture, 0x7E9)} >= {b"\x41", b"\x43"}


def test_only_reading_services_are_asked_for(capture: Path) -> None:
    for message in can.CanutilsLogReader(capture):
        if message.arbitration_id == 0x7DF:
            assert message.data[1] in (0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A)
