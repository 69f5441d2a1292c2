"""J1939 by listening. Arithmetic is held against cantools, which reads the same table as DBC text.

Where a number has no other source it is from memory of SAE J1939-71 and -73.
"""

from __future__ import annotations

import cantools
import pytest
from cantools.database.can import Database
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.model import (
    CodeSeen,
    CodesRead,
    CodeStatus,
    Identity,
    Link,
    Reading,
    SourceEvent,
)
from sootsayer.protocol.codes import is_recirculation, link_of, name_of
from sootsayer.protocol.j1939 import J1939Decoder, looks_like_j1939, pgn_of
from sootsayer.protocol.j1939_transport import MAX_OPEN

# start bit | length, (factor, offset), least and greatest valid, unit: written as a DBC file would
DBC = """VERSION ""
NS_ :
BS_:
BU_: ENGINE
BO_ 2364539904 EEC1: 8 ENGINE
 SG_ tq_dd : 8|8@1+ (1,-125) [-125|125] "%" ENGINE
 SG_ tq_act : 16|8@1+ (1,-125) [-125|125] "%" ENGINE
 SG_ rpm : 24|16@1+ (0.125,0) [0|8031.875] "rpm" ENGINE
BO_ 2364539648 EEC2: 8 ENGINE
 SG_ app_d : 8|8@1+ (0.4,0) [0|100] "%" ENGINE
 SG_ load_pct : 16|8@1+ (1,0) [0|250] "%" ENGINE
BO_ 2566771968 EEC5: 8 ENGINE
 SG_ egr_a_cmd : 32|16@1+ (0.0025,0) [0|160.6375] "%" ENGINE
BO_ 2566755328 EEC7: 8 ENGINE
 SG_ egr_a_act : 0|16@1+ (0.0025,0) [0|160.6375] "%" ENGINE
 SG_ egr_b_act : 16|16@1+ (0.0025,0) [0|160.6375] "%" ENGINE
BO_ 2565868032 EGF1: 8 ENGINE
 SG_ egr_flow : 0|16@1+ (0.05,0) [0|3212.75] "kg/h" ENGINE
 SG_ maf : 16|16@1+ (0.05,0) [0|3212.75] "kg/h" ENGINE
BO_ 2566843904 ET1: 8 ENGINE
 SG_ ect : 0|8@1+ (1,-40) [-40|210] "degC" ENGINE
 SG_ eot : 16|16@1+ (0.03125,-273) [-273|1734.96875] "degC" ENGINE
BO_ 2566824960 ET2: 8 ENGINE
 SG_ egr_dp : 32|16@1+ (0.0078125,-250) [-250|251.9921875] "kPa" ENGINE
 SG_ egrt11 : 48|16@1+ (0.03125,-273) [-273|1734.96875] "degC" ENGINE
BO_ 2566845952 IC1: 8 ENGINE
 SG_ boost : 8|8@1+ (2,0) [0|500] "kPa" ENGINE
 SG_ iat : 16|8@1+ (1,-40) [-40|210] "degC" ENGINE
 SG_ egt11 : 40|16@1+ (0.03125,-273) [-273|1734.96875] "degC" ENGINE
BO_ 2566845696 AMB: 8 ENGINE
 SG_ baro : 0|8@1+ (0.5,0) [0|125] "kPa" ENGINE
 SG_ aat : 24|16@1+ (0.03125,-273) [-273|1734.96875] "degC" ENGINE
BO_ 2566844672 CCVS1: 8 ENGINE
 SG_ vss : 8|16@1+ (0.00390625,0) [0|250.99609375] "km/h" ENGINE
BO_ 2566844928 LFE1: 8 ENGINE
 SG_ fuel_rate : 0|16@1+ (0.05,0) [0|3212.75] "L/h" ENGINE
 SG_ tp : 48|8@1+ (0.4,0) [0|100] "%" ENGINE
BO_ 2566846208 VEP1: 8 ENGINE
 SG_ vpwr : 32|16@1+ (0.05,0) [0|3212.75] "V" ENGINE
"""
PGNS = {
    "EEC1": 61444, "EEC2": 61443, "EEC5": 64981, "EEC7": 64916, "EGF1": 61450, "ET1": 65262,
    "ET2": 65188, "IC1": 65270, "AMB": 65269, "CCVS1": 65265, "LFE1": 65266, "VEP1": 65271,
}  # fmt: skip
G_S_PER_KG_H = 1000 / 3600
ENGINE = 0x00


def database() -> Database:
    found = cantools.database.load_string(DBC, "dbc")
    assert isinstance(found, Database)
    return found


def identifier(pgn: int, sender: int = ENGINE, priority: int = 6) -> int:
    return priority << 26 | pgn << 8 | sender


def values(events: list[SourceEvent]) -> dict[str, float]:
    return {
        sample.channel: sample.raw * sample.scaling.scale + sample.scaling.offset
        for event in events
        if isinstance(event, Reading)
        for sample in event.samples
    }


REFERENCE = database()


@pytest.mark.parametrize("name", sorted(PGNS))
@given(body=st.binary(min_size=8, max_size=8))
def test_values_are_those_of_cantools_or_absent(name: str, body: bytes) -> None:
    message = REFERENCE.get_message_by_name(name)
    expected = {}
    for signal in message.signals:
        value = message.decode(body)[signal.name]
        assert isinstance(value, int | float)
        assert signal.maximum is not None
        if value <= signal.maximum:
            expected[signal.name] = value * (G_S_PER_KG_H if signal.unit == "kg/h" else 1)
    found = values(J1939Decoder().feed(0, identifier(PGNS[name]), True, body))
    # 0.4 % parameters end at 100 %, which is raw FA, the greatest valid byte
    assert found == pytest.approx(expected)


@pytest.mark.parametrize("name", sorted(PGNS))
def test_groups_are_those_of_the_identifiers_in_the_dbc(name: str) -> None:
    assert pgn_of(REFERENCE.get_message_by_name(name).frame_id) == PGNS[name]


def test_an_example_of_the_valve() -> None:
    # 10 27 = 10000 × 0.0025 % = 25 %
    body = bytes.fromhex("10274026FFFFFFFF")
    found = values(J1939Decoder().feed(0, identifier(64916), True, body))
    assert found == {"egr_a_act": pytest.approx(25.0), "egr_b_act": pytest.approx(24.48)}


@pytest.mark.parametrize("body", ["FFFFFFFFFFFFFFFF", "FEFEFEFEFEFEFEFE", "", "FB"])
@pytest.mark.parametrize("pgn", sorted(PGNS.values()))
def test_what_is_not_available_or_an_error_is_absent(pgn: int, body: str) -> None:
    assert J1939Decoder().feed(0, identifier(pgn), True, bytes.fromhex(body)) == []


def test_engine_owns_plain_ids_and_others_carry_their_address() -> None:
    decoder = J1939Decoder()
    speed = bytes.fromhex("FFFFFF401FFFFFFF")
    decoder.feed(0, identifier(61444), True, speed)
    baro = bytes.fromhex("C8FFFFFFFFFFFFFF")
    assert values(decoder.feed(1, identifier(65269, 0x21), True, baro)) == {"baro": 100.0}
    assert values(decoder.feed(2, identifier(65269), True, baro)) == {"baro": 100.0}
    assert values(decoder.feed(3, identifier(65269, 0x21), True, baro)) == {"baro@21": 100.0}


# ---------------------------------------------------------------- codes


def test_one_active_code_and_the_lamps() -> None:
    # lamps 40: malfunction lamp on. SPN 2791 = 0AE7h, FMI 5, occurred 3 times
    body = bytes.fromhex("4000E70A0503FFFF")
    events = J1939Decoder().feed(7, identifier(65226), True, body)
    assert events[0] == Reading(7, "00", events[0].samples)  # type: ignore[union-attr]
    assert values(events) == {
        "mil_lamp": 1, "stop_lamp": 0, "warning_lamp": 0, "protect_lamp": 0,
    }  # fmt: skip
    assert events[1:] == [
        CodeSeen(7, "00", "SPN 2791 FMI 5", CodeStatus.CONFIRMED),
        CodesRead(7, "00", CodeStatus.CONFIRMED, 1),
    ]


def test_no_code_is_a_look_with_none() -> None:
    body = bytes.fromhex("00FF00000000FFFF")
    events = J1939Decoder().feed(7, identifier(65226), True, body)
    assert events[1:] == [CodesRead(7, "00", CodeStatus.CONFIRMED, 0)]


@pytest.mark.parametrize(
    ("pgn", "status"),
    [
        (65227, CodeStatus.CONFIRMED),
        (65231, CodeStatus.PENDING),
        (65236, CodeStatus.CONFIRMED),
        (64896, CodeStatus.PERMANENT),
    ],
)
def test_each_list_of_codes_has_its_status(pgn: int, status: CodeStatus) -> None:
    body = bytes.fromhex("00FF9B010701FFFF")  # SPN 411, FMI 7
    events = J1939Decoder().feed(0, identifier(pgn), True, body)
    assert events == [
        CodeSeen(0, "00", "SPN 411 FMI 7", status),
        CodesRead(0, "00", status, 1),
    ]


def test_a_parameter_number_has_nineteen_bits() -> None:
    body = bytes.fromhex("00FF0102E501FFFF")  # high bits 111, FMI 5
    (seen, _) = J1939Decoder().feed(0, identifier(65231), True, body)
    assert isinstance(seen, CodeSeen)
    assert seen.code == f"SPN {0x70201} FMI 5"


def test_the_same_codes_every_second_are_told_once_a_minute() -> None:
    decoder = J1939Decoder()
    body = bytes.fromhex("00FF9B010701FFFF")
    told = [bool(decoder.feed(s * 1000, identifier(65226), True, body)) for s in range(121)]
    assert [second for second, was in enumerate(told) if was] == [0, 60, 120]


def test_active_and_previously_active_codes_count_together() -> None:
    decoder = J1939Decoder()
    decoder.feed(0, identifier(65226), True, bytes.fromhex("00FF9B010701FFFF"))
    previous = decoder.feed(1, identifier(65227), True, bytes.fromhex("00FFE70A0503FFFF"))
    assert previous[-1] == CodesRead(1, "00", CodeStatus.CONFIRMED, 2)


def test_codes_of_recirculation_accuse_a_link() -> None:
    assert link_of("SPN 2791 FMI 5") is Link.ASK
    assert link_of("SPN 2791 FMI 7") is Link.MOVE
    assert link_of("SPN 27 FMI 4") is Link.MOVE
    assert link_of("SPN 2659 FMI 18") is Link.FLOW
    assert link_of("SPN 190 FMI 2") is None
    assert is_recirculation("SPN 412 FMI 3")
    assert name_of("SPN 412 FMI 3") == "recirculation gas temperature"
    assert not is_recirculation("SPN 190 FMI 2")


def test_readiness_keeps_the_bits_as_the_car_said_them() -> None:
    body = bytes.fromhex("0102FF0080008000")
    found = values(J1939Decoder().feed(0, identifier(65230), True, body))
    assert found == {
        "codes_active": 1, "codes_previous": 2,
        "monitors_fitted": 0x8000, "monitors_incomplete": 0x8000,
    }  # fmt: skip


def test_results_of_tests_come_with_their_limits() -> None:
    record = bytes.fromhex("F7 E70A05 4400 E803 D007 0000")
    decoder = J1939Decoder()
    events = broadcast(decoder, 41984, record + record.replace(b"\xe8\x03", b"\x00\xfb"))
    assert values(events) == {
        "spn2791_tidf7": 1000, "spn2791_tidf7_min": 0, "spn2791_tidf7_max": 2000,
    }  # fmt: skip


# ---------------------------------------------------------------- long messages


def frames(pgn: int, body: bytes, receiver: int = 0xFF) -> list[tuple[int, bytes]]:
    """Transport frames as J1939-21 has them: control first, then numbered packets of seven."""
    count = -(-len(body) // 7)
    kind, fourth = (32, 0xFF) if receiver == 0xFF else (16, count)
    head = bytes((kind, *len(body).to_bytes(2, "little"), count, fourth))
    control = 0x18EC0000 | receiver << 8, head + pgn.to_bytes(3, "little")
    packets = (
        (0x18EB0000 | receiver << 8, bytes((n + 1,)) + body[7 * n : 7 * n + 7].ljust(7, b"\xff"))
        for n in range(count)
    )
    return [control, *packets]


def broadcast(decoder: J1939Decoder, pgn: int, body: bytes) -> list[SourceEvent]:
    events: list[SourceEvent] = []
    for address, content in frames(pgn, body):
        events += decoder.feed(0, address, True, content)
    return events


TWO_CODES = bytes.fromhex("00FFE70A05039B010701")


def codes(events: list[SourceEvent]) -> list[str]:
    return [event.code for event in events if isinstance(event, CodeSeen)]


def test_several_codes_come_by_broadcast() -> None:
    found = broadcast(J1939Decoder(), 65226, TWO_CODES)
    assert codes(found) == ["SPN 2791 FMI 5", "SPN 411 FMI 7"]


def test_a_conversation_is_overheard_also_when_packets_are_sent_again() -> None:
    decoder = J1939Decoder()
    control, first, second = frames(65227, TWO_CODES, receiver=0xF9)
    clear_to_send = (0x18EC00F9, bytes.fromhex("110201FFFFCBFE00"))
    events = []
    for address, body in (control, clear_to_send, first, first, clear_to_send, second):
        events += decoder.feed(0, address, True, body)
    assert codes(events) == ["SPN 2791 FMI 5", "SPN 411 FMI 7"]
    assert not decoder.counters


def test_the_vehicle_number_is_read() -> None:
    decoder = J1939Decoder()
    events = broadcast(decoder, 65260, b"SOOTSAYERDEM0CAR1*")
    assert events == [Identity(0, "00", "vin", "SOOTSAYERDEM0CAR1")]
    assert broadcast(decoder, 65260, b"SOOTSAYERDEM0CAR1*") == []


@pytest.mark.parametrize(
    ("spoil", "fault"),
    [
        (lambda f: [f[0], f[2]], "long message with packets missing"),
        (lambda f: f[1:], "packet without a beginning"),
        (lambda f: [f[0], (f[1][0], f[1][1][:4]), f[2]], "wrong length in a transport frame"),
        (lambda f: [f[0], (f[1][0], b"\x09" + f[1][1][1:]), f[2]], "packet number out of range"),
        (
            lambda f: [f[0], f[1], (0x18ECFF00, bytes.fromhex("FF01FFFFFFCAFE00")), f[2]],
            "long message given up by its sender",
        ),
    ],
)
def test_a_spoiled_long_message_gives_nothing_and_is_counted(spoil, fault: str) -> None:  # type: ignore[no-untyped-def]
    decoder = J1939Decoder()
    events = []
    for address, body in spoil(frames(65226, TWO_CODES)):
        events += decoder.feed(0, address, True, body)
    assert codes(events) == []
    assert fault in decoder.counters


def test_a_message_that_stopped_long_ago_does_not_take_a_later_packet() -> None:
    decoder = J1939Decoder()
    control, first, second = frames(65226, TWO_CODES)
    decoder.feed(0, *(control[0], True, control[1]))
    decoder.feed(100, first[0], True, first[1])
    assert decoder.feed(5000, second[0], True, second[1]) == []
    assert decoder.counters["packet too long after the one before"] == 1


def test_messages_under_way_are_bounded() -> None:
    decoder = J1939Decoder()
    for receiver in range(MAX_OPEN + 10):
        address, body = frames(65226, TWO_CODES, receiver)[0]
        decoder.feed(0, address, True, body)
    assert decoder.counters["too many long messages at once"] == 10


# ---------------------------------------------------------------- what is not J1939


def test_j1939_is_recognised_by_its_groups() -> None:
    assert looks_like_j1939([0x0CF00400])
    assert looks_like_j1939([0x18FEEE00, 0x18FEF600])
    assert not looks_like_j1939([0x18FEEE00, 0x18FEEE00])
    assert not looks_like_j1939([0x18DAF110, 0x18DB33F1, 0x12345678])
    assert not looks_like_j1939([])


def test_a_testers_traffic_and_short_addresses_are_left_alone() -> None:
    decoder = J1939Decoder()
    assert decoder.feed(0, 0x18DAF110, True, bytes.fromhex("04410C1AF8000000")) == []
    assert decoder.feed(0, 0x7E8, False, bytes.fromhex("04410C1AF8000000")) == []
    assert not decoder.counters


@given(
    st.lists(
        st.tuples(
            st.integers(0, 60_000),
            st.sampled_from(
                [0x18ECFF00, 0x18EBFF00, 0x18EC0021, 0x18EB2100, 0x18FECA00, 0x18FECE00]
            )
            | st.integers(0, (1 << 29) - 1),
            st.binary(max_size=8)
            | st.builds(
                lambda kind, rest: bytes((kind,)) + rest,
                st.sampled_from([16, 17, 19, 32, 255, 1, 2]),
                st.binary(min_size=7, max_size=7),
            ),
        ),
        max_size=60,
    )
)
def test_no_noise_raises_and_values_stay_in_range(noise: list[tuple[int, int, bytes]]) -> None:
    decoder = J1939Decoder()
    for t_ms, address, body in noise:
        for event in decoder.feed(t_ms, address, True, body):
            if isinstance(event, Reading):
                assert all(sample.raw <= 0xFFFF for sample in event.samples)
