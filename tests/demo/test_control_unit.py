"""Requests in, replies out, silence where a real unit is silent."""

import pytest
from scapy.contrib.automotive.obd.obd import OBD

from demo_values import MOMENT, RAW
from sootsayer.demo.build import Make
from sootsayer.demo.control_unit import VIN, Moment, code_bytes, control_units
from sootsayer.demo.ledger import Ledger
from sootsayer.demo.monitor import Memory, Results

ENGINE, GEARBOX = control_units(Make())


def ask(request: str, moment: Moment = MOMENT) -> tuple[str, str]:
    replies = [unit.answer(bytes.fromhex(request), moment) for unit in (ENGINE, GEARBOX)]
    return tuple("" if reply is None else reply.hex().upper() for reply in replies)  # type: ignore[return-value]


def test_several_pids_in_one_reply_and_the_unknown_left_out() -> None:
    engine, gearbox = ask("010CA60D05")
    rpm, speed, coolant = RAW["rpm"], RAW["vss"], RAW["ect"]
    assert engine == f"410C{rpm:04X}0D{speed:02X}05{coolant:02X}"
    assert gearbox == f"410D{speed:02X}05{coolant:02X}"


def test_every_announced_pid_is_answered_and_no_other() -> None:
    for unit in (ENGINE, GEARBOX):
        for pid in range(1, 0x100):
            if pid % 0x20:
                reply = unit.answer(bytes((0x01, pid)), MOMENT)
                assert (reply is not None) is (pid in unit.pids)


@pytest.mark.parametrize(
    "request_hex",
    ["04", "08", "0100" * 4, "1003", "0A01", "0902FF", "2701", "01", "", "0601", "22F190"],
)
def test_silence_to_what_it_does_not_know(request_hex: str) -> None:
    assert ask(request_hex) == ("", "")


def test_codes_by_service() -> None:
    stored = Moment(RAW, Memory(("P0401",), ("P0401", "P0404")))
    assert ask("03", stored) == ("430204010404", "4300")
    assert ask("07", stored) == ("47010401", "4700")
    assert ask("0A", stored) == ("4A0204010404", "4A00")
    assert ask("03") == ("4300", "4300")


def test_scapy_reads_the_codes() -> None:
    stored = Moment(RAW, Memory((), ("P0401", "P0171")))
    stored_codes = OBD(bytes.fromhex(ask("03", stored)[0]))[1]
    told = [
        f"P{code.code1:X}{code.code2:X}{code.code3:X}{code.code4:X}" for code in stored_codes.dtcs
    ]
    assert stored_codes.count == 2 and told == ["P0401", "P0171"]


@pytest.mark.parametrize(
    ("code", "text"), [("P0401", "0401"), ("P245A", "245A"), ("C0100", "4100"), ("U0100", "C100")]
)
def test_code_bytes(code: str, text: str) -> None:
    # SAE J2012 coding: two bits letter, then the digits
    assert code_bytes(code).hex().upper() == text


def test_it_says_who_it_is() -> None:
    assert bytes.fromhex(ask("0902")[0]) == b"\x49\x02\x01" + VIN.encode()
    assert len(VIN) == 17 and not set(VIN) & set("IOQ") and VIN.isalnum() and VIN.isupper()
    assert len(bytes.fromhex(ask("0904")[0])) == 3 + 16
    assert len(bytes.fromhex(ask("0906")[0])) == 3 + 4
    assert len(bytes.fromhex(ask("090A")[0])) == 3 + 20
    # items 02, 04, 06, 08 and 0A: bits 2, 4, 6, 8 and 10 from the top
    assert ask("0900")[0] == "490055400000"


FROZEN = Moment(RAW | {"rpm": 3000}, Memory(("P0401",)).failed("P0401", RAW))


def frozen(request: str, moment: Moment = FROZEN) -> bytes:
    reply, of_gearbox = ask(request, moment)
    assert of_gearbox == ""
    return bytes.fromhex(reply)


def test_scapy_reads_the_frozen_moment_of_the_first_code() -> None:
    code = OBD(frozen("020200"))[1].data_records[0].getlayer(1).dtc
    assert (code.location, f"{code.code1:X}{code.code2:X}{code.code3:X}{code.code4:X}") == (
        0, "0401",
    )  # fmt: skip
    records = OBD(frozen("020C002C000B00"))[1].data_records
    said = [float(record.getlayer(1).data) for record in records]
    speed, command, pressure = RAW["rpm"] / 4, RAW["egr_pct"] * 100 / 255, RAW["map"]
    assert said == pytest.approx([speed, command, pressure], abs=0.01)


def test_scapy_reads_which_pids_are_frozen() -> None:
    named = str(OBD(frozen("020000"))[1].data_records[0].getlayer(1).supported_pids)
    assert {"PID02", "PID0C", "PID10"} <= set(named.split("+")) and "PID01" not in named
    assert frozen("022000")[:3] == b"\x42\x20\x00"


def test_without_a_code_there_is_only_the_nought_that_says_so() -> None:
    # SAE J1979: code 0000, no frame stored
    assert ask("020200") == ("4202000000", "")
    assert ask("020C00") == ("", "") and ask("020C01", FROZEN) == ("", "")
    assert ask("020000")[0] == "42000040000000"


def words(record: bytes) -> tuple[int, ...]:
    """Value, least, greatest of a record of nine bytes (SAE J1979 service 06 on CAN)."""
    return tuple(int.from_bytes(record[at : at + 2], "big", signed=True) for at in (3, 5, 7))


def test_the_recirculation_monitor_tells_its_last_results() -> None:
    results = Results((1.5, 4.0), 0.91)
    reply = bytes.fromhex(ask("0631", Moment(RAW, Memory(results=results)))[0])
    assert reply[0] == 0x46 and len(reply) == 1 + 2 * 9
    fell, idle = reply[1:10], reply[10:]
    # kind FD is 0.001 kPa signed, kind 2F hundredths of a percent (SAE J1979 appendix E)
    assert fell[:3] == b"\x31\x81\xfd" and words(fell) == (1500, 4000, 0x7FFF)
    assert idle[:3] == b"\x31\x85\x2f" and words(idle)[:2] == (9100, 7200)
    assert idle[7:] == b"\xff\xff"
    # not run since codes were cleared: value, least and greatest nought
    assert words(bytes.fromhex(ask("0631")[0])[1:10]) == (0, 0, 0)


def test_a_fall_may_be_negative() -> None:
    reply = bytes.fromhex(ask("0631", Moment(RAW, Memory(results=Results((-0.25, 2.0)))))[0])
    assert words(reply[1:10])[0] == -250


def test_scapy_reads_where_its_monitors_lie() -> None:
    # scapy has no name for monitor 31, so only the way there is its to judge: 20 lies beyond 00
    record = OBD(bytes.fromhex(ask("0600")[0]))[1].data_records[0]
    assert "MID20" in str(record.getlayer(1).supported_mids)
    assert ask("0620")[0] == "4620" + f"{1 << (0x40 - 0x31):08X}"
    assert ask("060020")[0] == "460000000001" + ask("0620")[0][2:]
    assert ask("0632") == ("", "")


def test_in_use_counters_stand_in_their_places() -> None:
    ledger = Ledger(ignitions=7, conditions=5, flow_tests=3)
    reply = bytes.fromhex(ask("0908", Moment(RAW, Memory(ledger=ledger)))[0])
    assert reply[:3] == b"\x49\x08\x14" and len(reply) == 3 + 40
    counts = [int.from_bytes(reply[at : at + 2], "big") for at in range(3, 43, 2)]
    # SAE J1979 service 09 item 08: conditions, starts first; EGRCOMP, EGRCOND eleventh, twelfth
    assert counts[:2] == [5, 7] and counts[10:12] == [3, 5]


def test_what_it_counts_is_read_by_scapy() -> None:
    counted = {0x21: "mil_dist", 0x30: "warm_ups", 0x31: "clr_dist", 0x4D: "mil_time",
               0x4E: "clr_time"}  # fmt: skip
    for pid, channel in counted.items():
        record = OBD(bytes.fromhex(ask(f"01{pid:02X}")[0]))[1].data_records[0]
        assert record.getlayer(1).data == RAW[channel]
    fuel = OBD(bytes.fromhex(ask("012F")[0]))[1].data_records[0].getlayer(1)
    assert float(fuel.data) == pytest.approx(RAW["fli"] * 100 / 255, abs=0.01)
