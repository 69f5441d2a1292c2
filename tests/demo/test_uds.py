"""The invented car by J1979-2: the same figures as by J1979, in other words.

Layouts: F4xx, F8xx without a count and 19 42 as an ISO 27145 tester in the field reads them; F6xx
and 19 55 are from memory.
"""

from __future__ import annotations

import pytest

from demo_values import MOMENT, ParkedCar
from sootsayer.demo.control_unit import CALIBRATION, ENGINE, VIN, Moment
from sootsayer.demo.monitor import Memory
from sootsayer.demo.uds import UdsCar, UdsUnit

CAR = UdsCar(ParkedCar())
UNIT = next(unit for unit in CAR.units if unit.address == ENGINE)
OTHER = next(unit for unit in CAR.units if unit.address != ENGINE)


def said(request: str, moment: Moment = MOMENT, unit: UdsUnit = UNIT) -> str | None:
    reply = unit.answer(bytes.fromhex(request), moment)
    return None if reply is None else reply.hex().upper()


@pytest.mark.parametrize(
    "request_hex", ["0100", "010C", "03", "07", "0A", "0902", "0631", "020200", "04", "14FFFF33"]
)
def test_it_is_silent_to_what_it_does_not_know(request_hex: str) -> None:
    assert said(request_hex) is None


@pytest.mark.parametrize("pid", ["00", "0C", "2C", "2D", "0B", "01"])
def test_an_identifier_carries_what_the_parameter_carried(pid: str) -> None:
    plain = UNIT.plain.answer(bytes.fromhex("01" + pid), MOMENT)
    assert plain is not None
    assert said("22F4" + pid) == "62F4" + plain.hex().upper()[2:]


def test_three_in_one_request_and_unknown_ones_left_out() -> None:
    one, other = said("22F40C") or "", said("22F42C") or ""
    assert said("22F40CF4FEF42C") == one + other[2:]
    assert said("22F4FE") is None and said("22F40CF42CF42DF40B") is None


def test_words_come_without_a_count() -> None:
    assert said("22F802") == "62F802" + VIN.encode().hex().upper()
    assert (said("22F804") or "").startswith("62F804" + CALIBRATION.encode().hex().upper())


def test_codes_have_three_bytes_and_a_status() -> None:
    pending = Memory().failed("P0401")
    both = pending.failed("P0401")
    assert said("194233081E", Moment({}, Memory())) == "5942330C1E04"
    assert said("194233081E", Moment({}, pending)) == "5942330C1E04"
    assert said("194233041E", Moment({}, pending)) == "5942330C1E04" + "0204010004"
    assert said("194233081E", Moment({}, both)) == "5942330C1E04" + "020401000C"
    assert said("195533", Moment({}, both)) == "5955330C04" + "04010008"
    assert said("195533", unit=OTHER) is None and said("194208081E") is None
