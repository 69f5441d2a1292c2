"""Requests in, replies out, silence where a real unit is silent."""

import pytest
from scapy.contrib.automotive.obd.obd import OBD

from demo_values import MOMENT, RAW
from sootsayer.demo.build import Make
from sootsayer.demo.control_unit import VIN, Moment, code_bytes, control_units
from sootsayer.demo.monitor import Memory

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
    # items 02, 04, 06 and 0A: bits 2, 4, 6 and 10 from the top
    assert ask("0900")[0] == "490054400000"
