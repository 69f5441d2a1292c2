"""What an archive of a few trips says of codes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from sootsayer.model import Changes, Trip
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.report.codes import codes_of
from sootsayer.sources.batching import BatchBuilder
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader

START_MS = 1_795_521_600_000  # 2026-11-24T12:00:00Z
MINUTE = 60_000
# (minute, control unit, reply as SAE J1979 lays it out on CAN)
SAID = [
    (1, "7E8", "4101" + "0007E500"),  # readiness: recirculation complete
    (1, "7E8", "41300C"), (1, "7E8", "43 00"), (1, "7E8", "47 00"),
    (2, "7E8", "46 31 81 FD 1A90 0FA0 7FFF"),  # 6.8 kPa, at least 4
    (21, "7E8", "47 01 0401"), (22, "7E8", "47 01 0401"), (22, "7E9", "43 01 0700"),
    (23, "7E8", "46 31 81 FD 1130 0FA0 7FFF"),  # 4.4 kPa
    (24, "7E8", "42 02 00 0401"), (24, "7E8", "42 0D 00 50 2C 00 40"),
    (26, "7E8", "43 01 0401"),  # a minute after the engine stopped
    (41, "7E8", "413000"), (41, "7E8", "4101" + "0007E585"), (41, "7E8", "43 00"),
]  # fmt: skip


@pytest.fixture
def reader(tmp_path: Path) -> Iterator[ArchiveReader]:
    path = tmp_path / "codes.db"
    decoder, builder = ReplyDecoder(), BatchBuilder()
    for minute, unit, reply in SAID:
        for event in decoder.feed(START_MS + minute * MINUTE, unit, bytes.fromhex(reply)):
            builder.add(event)
    trips = tuple(
        Trip(number, START_MS + start * MINUTE, START_MS + end * MINUTE, False, 0.0, 0.0, 0)
        for number, start, end in ((1, 0, 10), (2, 20, 25), (3, 40, 50))
    )
    with Archive.open(path) as archive:
        archive.append(builder.take(START_MS + 60 * MINUTE))
        archive.apply(Changes(trips=trips))
        archive.commit()
    with ArchiveReader(path) as opened:
        yield opened


def test_each_trip_has_its_looks_and_what_they_found(reader: ArchiveReader) -> None:
    first, second, third = codes_of(reader)["trips"]
    assert first == {"trip": 1, "looks": {"confirmed": 1, "pending": 1}, "codes": []}
    assert second["looks"] == {"pending": 2, "confirmed": 2}
    flow, gearbox = second["codes"]
    assert (flow["unit"], flow["code"], flow["link"]) == ("7E8", "P0401", "flow")
    assert flow["seen"] == {"pending": 2, "confirmed": 1}
    assert flow["first_ms"] == START_MS + 21 * MINUTE
    assert flow["last_ms"] == START_MS + 26 * MINUTE
    assert (gearbox["unit"], gearbox["code"], gearbox["name"]) == ("7E9", "P0700", "")
    assert third == {"trip": 3, "looks": {"confirmed": 1}, "codes": []}


def test_results_of_monitors_show_their_margin_shrinking(reader: ArchiveReader) -> None:
    early, late = codes_of(reader)["results"]
    assert (early["monitor"], early["test"], early["unit"]) == ("31", "81", "kPa")
    assert (early["value"], early["least"], early["greatest"]) == (6.8, 4.0, None)
    assert early["margin_pct"] == pytest.approx(70.0)
    assert late["margin_pct"] == pytest.approx(10.0) and late["passed"]
    assert late["recirculation"] and late["control_unit"] == ""


def test_codes_that_were_cleared_between_trips_are_noticed(reader: ArchiveReader) -> None:
    (cleared,) = codes_of(reader)["clearings"]
    assert cleared["after_ms"] == START_MS + MINUTE and cleared["t_ms"] == START_MS + 41 * MINUTE
    assert len(cleared["signs"]) == 2  # the counter fell, and monitors forgot


def test_the_freeze_frame_and_readiness_are_the_last_told(reader: ArchiveReader) -> None:
    found = codes_of(reader)
    (frame,) = found["freeze_frames"]
    assert (frame["unit"], frame["code"]) == ("7E8", "P0401")
    assert frame["values"] == {"vss": "80 km/h", "egr_pct": "25.098 %"}
    assert found["readiness"]["since_cleared"]["recirculation_supported"]
    assert not found["readiness"]["since_cleared"]["recirculation_complete"]
    assert found["readiness"]["this_cycle"] is None


def test_a_span_leaves_out_what_lies_outside(reader: ArchiveReader) -> None:
    found = codes_of(reader, START_MS + 30 * MINUTE, START_MS + 60 * MINUTE)
    assert [trip["trip"] for trip in found["trips"]] == [3]
    assert found["results"] == [] and found["clearings"] == []
