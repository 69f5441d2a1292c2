"""Whole replies become events, control unit by control unit."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from sootsayer.model import CodeSeen, CodesRead, CodeStatus, Identity, Reading, SourceEvent
from sootsayer.protocol.decode import MAX_UNITS, ReplyDecoder
from sootsayer.protocol.j1979 import Trouble
from sootsayer.protocol.readiness import monitors


def feed(decoder: ReplyDecoder, unit: str, hexed: str, t_ms: int = 0) -> list[SourceEvent]:
    return decoder.feed(t_ms, unit, bytes.fromhex(hexed))


def channels(events: list[SourceEvent]) -> list[str]:
    return [s.channel for event in events if isinstance(event, Reading) for s in event.samples]


def test_a_reading_carries_its_stamp_and_unit() -> None:
    [reading] = feed(ReplyDecoder(), "7E8", "412C40 2D80", t_ms=1234)
    assert isinstance(reading, Reading)
    assert (reading.t_ms, reading.unit) == (1234, "7E8")
    assert [(s.channel, s.raw) for s in reading.samples] == [("egr_pct", 0x40), ("egr_err", 0x80)]


def test_the_engine_unit_keeps_the_plain_id_whoever_answers_first() -> None:
    decoder = ReplyDecoder()
    feed(decoder, "7E9", "4100 18180001")  # transmission: 04, 05, 0C, 0D
    feed(decoder, "7E8", "4100 181A0001")
    assert channels(feed(decoder, "7E9", "410D32")) == ["vss@7E9"]
    assert channels(feed(decoder, "7E8", "410D32")) == ["vss"]
    assert decoder.engine_unit == "7E8"


def test_a_channel_only_the_second_unit_gives_has_a_plain_id() -> None:
    decoder = ReplyDecoder()
    feed(decoder, "7E8", "4100 00100000")  # 0C only
    feed(decoder, "7E9", "4100 00080000")  # 0D only
    assert channels(feed(decoder, "7E9", "410D32")) == ["vss"]


def test_without_bitmaps_the_engine_unit_takes_its_ids_back() -> None:
    decoder = ReplyDecoder()
    assert channels(feed(decoder, "7E9", "410D32")) == ["vss"]
    assert channels(feed(decoder, "7E8", "410D32")) == ["vss"]
    assert channels(feed(decoder, "7E9", "410D32")) == ["vss@7E9"]
    assert decoder.counters["channel changed hands"] == 1


def test_the_lowest_address_with_engine_speed_is_the_engine() -> None:
    decoder = ReplyDecoder()
    feed(decoder, "7EA", "410C1AF8 0D10")
    assert decoder.engine_unit == "7EA"
    feed(decoder, "7E9", "410C1AF8 0D10")
    assert decoder.engine_unit == "7E9"
    assert channels(feed(decoder, "7EA", "410C1AF8 0D10")) == ["rpm@7EA", "vss@7EA"]


def test_units_keep_their_own_announcements() -> None:
    decoder = ReplyDecoder()
    feed(decoder, "7E8", "414F00000033")
    [first] = feed(decoder, "7E8", "410BFF")
    [second] = feed(decoder, "7E9", "410BFF")
    assert isinstance(first, Reading) and isinstance(second, Reading)
    assert first.samples[0].scaling.name != second.samples[0].scaling.name


def test_support_is_told_once_and_again_when_it_grows() -> None:
    decoder = ReplyDecoder()
    assert feed(decoder, "7E8", "4100 00180001") == [Identity(0, "7E8", "supported", "0C 0D")]
    assert feed(decoder, "7E8", "4100 00180001") == []
    grown = feed(decoder, "7E8", "4120 00180000")
    assert grown == [Identity(0, "7E8", "supported", "0C 0D 2C 2D")]


def test_codes_come_with_the_fact_that_was_looked() -> None:
    decoder = ReplyDecoder()
    assert feed(decoder, "7E8", "43 02 0401 0171") == [
        CodeSeen(0, "7E8", "P0401", CodeStatus.CONFIRMED),
        CodeSeen(0, "7E8", "P0171", CodeStatus.CONFIRMED),
        CodesRead(0, "7E8", CodeStatus.CONFIRMED, 2),
    ]
    assert feed(decoder, "7E8", "47 00") == [CodesRead(0, "7E8", CodeStatus.PENDING, 0)]
    assert feed(decoder, "7E8", "4A 01 0404")[0] == CodeSeen(
        0, "7E8", "P0404", CodeStatus.PERMANENT
    )


def test_a_truncated_list_of_codes_is_not_a_look() -> None:
    decoder = ReplyDecoder()
    assert feed(decoder, "7E8", "43 02") == []
    assert decoder.counters["truncated reply"] == 1


def test_identity() -> None:
    decoder = ReplyDecoder()
    vin = "49 02 01" + b"SOOTSAYERDEM0CAR1".hex()
    assert feed(decoder, "7E8", vin) == [Identity(0, "7E8", "vin", "SOOTSAYERDEM0CAR1")]
    assert feed(decoder, "7E8", vin) == []  # said before
    calibration = "49 04 01" + b"CAL-0001\0\0\0\0\0\0\0\0".hex()
    assert feed(decoder, "7E8", calibration) == [Identity(0, "7E8", "calibration", "CAL-0001")]
    assert feed(decoder, "7E8", "49 06 01 0A0B0C0D") == [Identity(0, "7E8", "checksum", "0A0B0C0D")]
    name = "49 0A 01" + b"ECM\0-EngineControl\0\0".hex()
    assert feed(decoder, "7E8", name) == [Identity(0, "7E8", "name", "ECM -EngineControl")]


def test_in_use_counters_are_readings() -> None:
    # J1979 service 09 item 08: sixteen words, EGR completions the 11th, conditions the 12th
    words = "".join(f"{number:04X}" for number in range(1, 17))
    [reading] = feed(ReplyDecoder(), "7E8", f"49 08 10 {words}")
    assert isinstance(reading, Reading)
    found = {sample.channel: sample.raw for sample in reading.samples}
    assert (found["egrcomp"], found["egrcond"], found["igncntr"]) == (11, 12, 2)


def test_monitor_results_are_readings_with_their_limits() -> None:
    # scapy 2.8.0 reads the record of bank 2 as 40.0 within 0 to 100 %
    [reading] = feed(ReplyDecoder(), "7E8", "46 32 80 2F 0FA0 0000 2710")
    assert isinstance(reading, Reading)
    found = {s.channel: s.raw * s.scaling.scale + s.scaling.offset for s in reading.samples}
    assert found == {"mid32_tid80": 40.0, "mid32_tid80_min": 0.0, "mid32_tid80_max": 100.0}
    # and 81 96 FF38 FC18 03E8 as -20.0 °C within -100 to 100
    [signed] = feed(ReplyDecoder(), "7E8", "46 32 81 96 FF38 FC18 03E8")
    assert isinstance(signed, Reading)
    assert [round(s.raw * s.scaling.scale, 6) for s in signed.samples] == [-20.0, -100.0, 100.0]
    assert feed(ReplyDecoder(), "7E8", "46 31 80 2F 0000 0000 0000") == []  # never run


def test_frozen_values_are_no_readings() -> None:
    decoder = ReplyDecoder()
    assert feed(decoder, "7E8", "42 02 00 0401") == [Identity(0, "7E8", "freeze code", "P0401")]
    # scapy 2.8.0: 42 2C 00 40 is 25.098 %
    assert feed(decoder, "7E8", "42 2C 00 40 0C 00 1AF8") == [
        Identity(0, "7E8", "freeze egr_pct", "25.098 %"),
        Identity(0, "7E8", "freeze rpm", "1726 rpm"),
    ]


def test_refusals_and_nonsense_are_counted() -> None:
    decoder = ReplyDecoder()
    for hexed in ("7F0178", "7F0121", "7F0112", "7F", "62F40C1AF8", ""):
        assert feed(decoder, "7E8", hexed) == []
    assert decoder.counters == {
        "refused: answer pending": 1,
        "refused: busy": 1,
        "refused": 2,
        "unknown service": 1,
        "empty reply": 1,
    }


def test_the_number_of_units_is_bounded() -> None:
    decoder = ReplyDecoder()
    for number in range(MAX_UNITS + 3):
        feed(decoder, f"{number:03X}", "410C1AF8")
    assert len(decoder.units) == MAX_UNITS
    assert decoder.counters["too many control units"] == 3


def test_monitor_status() -> None:
    # J1979 PID 01: lamp and 3 codes; spark; C = E5 supports bit 7, D = 80 not complete
    seen = monitors(0x8307E580)
    assert (seen.lamp_on, seen.codes, seen.compression_ignition) == (True, 3, False)
    assert (seen.egr_supported, seen.egr_complete) == (True, False)
    assert monitors(0x0007E500).egr_complete
    assert not monitors(0x00076500).egr_complete  # not supported is not complete
    assert monitors(0x000F6500).compression_ignition


SERVICES = st.sampled_from([0x41, 0x42, 0x43, 0x46, 0x47, 0x49, 0x4A, 0x7F, 0x00])


@given(st.lists(st.tuples(st.sampled_from(["7E8", "7E9"]), SERVICES, st.binary(max_size=40))))
def test_no_noise_raises(replies: list[tuple[str, int, bytes]]) -> None:
    decoder = ReplyDecoder()
    for unit, service, body in replies:
        for event in decoder.feed(5, unit, bytes((service,)) + body):
            assert event.t_ms == 5


FROZEN = "42 2C 00 40 0C 00 1AF8"


def test_a_frame_of_another_code_is_told_whole_also_where_it_is_equal() -> None:
    decoder = ReplyDecoder()
    feed(decoder, "7E8", "42 02 00 0401")
    whole = feed(decoder, "7E8", FROZEN)
    assert len(whole) == 2 and feed(decoder, "7E8", FROZEN) == []
    assert feed(decoder, "7E8", "42 02 00 0401") == [] and feed(decoder, "7E8", FROZEN) == []
    feed(decoder, "7E8", "42 02 00 0402")
    assert feed(decoder, "7E8", FROZEN) == whole


def test_a_frame_after_codes_were_cleared_is_told_whole() -> None:
    decoder = ReplyDecoder()
    code, whole = feed(decoder, "7E8", "42 02 00 0401"), feed(decoder, "7E8", FROZEN)
    assert feed(decoder, "7E8", "42 02 00 0000") == []
    assert feed(decoder, "7E8", "42 02 00 0401") == code
    assert feed(decoder, "7E8", FROZEN) == whole


def test_a_result_of_an_older_link_that_is_cut_is_counted_and_gives_nothing() -> None:
    """SAE J1979 before CAN: test, kind of limit, value, limit; a bitmap begins at a multiple of
    20 (hex) on CAN. From memory."""
    decoder = ReplyDecoder()
    for cut in ("46 05 01 0123 45", "46 05 01 0123", "46 05"):
        before = decoder.counters[Trouble.TRUNCATED]
        assert feed(decoder, "10", cut) == []
        assert decoder.counters[Trouble.TRUNCATED] == before + 1, cut
    assert feed(decoder, "7E8", "46 20 00008000") == []
    assert decoder.counters[Trouble.TRUNCATED] == 3
