"""A survey of invented cars: what the text says, and what stands in the file for the car."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from sootsayer.demo.build import Feedback, Make, Metering
from sootsayer.demo.cars import CHANNELS
from sootsayer.demo.control_unit import ControlUnit, Moment, control_units
from sootsayer.demo.encoding import CONSTANT_COUNTS
from sootsayer.model import (
    Identity,
    Reading,
    SootsayerError,
    SourceEvent,
    SourceState,
    SourceStatus,
)
from sootsayer.protocol.decode import ReplyDecoder
from sootsayer.report.survey import Survey, survey_of
from sootsayer.report.survey_text import WIDTH, survey_json, survey_text
from sootsayer.report.vehicle_file import Papers, masked_vin, vehicle_file
from sootsayer.rules.book import load_rules
from sootsayer.sources.adapter_settings import serial_settings
from sootsayer.sources.plan import Capability, Plan, clocks_of
from sootsayer.sources.wanted import wanted_channels
from sootsayer.vehicle import vehicle_from

# A survey says what these rules need; how many more there are is no business of these texts.
SHIPPED = load_rules()
RULES = {
    name: SHIPPED[name]
    for name in ("P1", "P2", "A1", "M1", "M2", "M8", "F1", "F1S", "F2", "E2", "C1", "C2", "R1")
}
FOLDER = Path(__file__).parent.parent / "surveys"
SECONDS = 30
VIN = "SXXTSAYERDEMX2401"

# The car at warm idle: raw counts of SAE J1979 service 01.
AT_IDLE = dict.fromkeys(CHANNELS, 0) | {
    "rpm": 2880, "map": 33, "maf": 290, "tp": 39, "ect": 127, "iat": 65, "baro": 101,
    "shrtft1": 128, "longft1": 129, "egr_err": 128, "vpwr": 14100, "sparkadv": 156,
    "monitor_status": 0x8107E580, "monitor_cycle": 0x0007E585,
} | CONSTANT_COUNTS  # fmt: skip

# What the desk car has a figure for; the invented car may learn to say more.
FIGURES = frozenset({
    0x01, 0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x1C, 0x1F, 0x2C,
    0x2D, 0x33, 0x41, 0x42, 0x45, 0x46, 0x4C, 0x51, 0x65, 0x69,
})  # fmt: skip

# Services other than 01, as the standard lays them out.
ENGINE_SAYS = {
    "0900": "490054400000", "0902": "490201" + VIN.encode().hex(),
    "0904": "490401" + b"DEMO-24-EGR-0107".hex(), "0906": "490601DEADBEEF",
    "090A": "490A01" + b"ECM-EngineControl".ljust(20, b"\0").hex(),
    "03": "43010401", "07": "4700", "0A": "4A00",
    "0620": "462000008000", "0631": "463181FD1A900FA07FFF",
    "020200": "4202000401", "020000": "42000000080000", "022000": "42200000180000",
    "020D00": "420D0050", "022C002D00": "422C00402D0080",
}  # fmt: skip


@dataclass
class DeskCar:
    """Control units on a desk: asked by the plan, answering in ``took_ms`` each."""

    make: Make
    says: Mapping[str, str] = field(default_factory=lambda: ENGINE_SAYS)
    max_pids: int = 6
    took_ms: int = 60

    def events(self) -> list[SourceEvent]:
        units = tuple(replace(unit, pids=unit.pids & FIGURES) for unit in control_units(self.make))
        decoder = ReplyDecoder()
        said: list[SourceEvent] = [
            Identity(0, "adapter", "adapter", "Invented adapter v1.0"),
            SourceStatus(0, "adapter", SourceState.READING, "CAN, 11-bit addresses, 2 units"),
        ]
        for base in (0x00, 0x20, 0x40, 0x60):
            said += self._ask(units, decoder, bytes((0x01, base)), 0)[0]
        pids = frozenset().union(*(decoder.supported(unit) for unit in decoder.units))
        capability = Capability(self.max_pids)
        plan = Plan(pids, wanted_channels(pids, RULES), capability, clocks_of(serial_settings()))
        now_ms = 0
        while now_ms < SECONDS * 1000:
            request = plan.next(now_ms)
            if request is None:
                now_ms = plan.due_ms(now_ms)
                continue
            now_ms += self.took_ms
            events, replies = self._ask(units, decoder, request.payload, now_ms)
            plan.answered(request, self.took_ms, replies)
            for event in events:
                plan.heard(event)
            said += events
        return said

    def _ask(
        self, units: tuple[ControlUnit, ...], decoder: ReplyDecoder, request: bytes, t_ms: int
    ) -> tuple[list[SourceEvent], list[bytes]]:
        events: list[SourceEvent] = []
        replies = []
        for unit in units:
            reply = self._answer(unit, request)
            if reply is not None:
                replies.append(reply)
                events += decoder.feed(t_ms, f"{unit.address:03X}", reply)
        return events, replies

    def _answer(self, unit: ControlUnit, request: bytes) -> bytes | None:
        if request[0] == 0x01:
            return unit.answer(request, Moment(AT_IDLE))
        if unit.address != 0x7E8:
            return None
        text = self.says.get(request.hex().upper())
        return None if text is None else bytes.fromhex(text)


CARS = {
    "both_position": DeskCar(Make()),
    "composite": DeskCar(Make(composite_egr=True)),
    "air_mass_no_feedback": DeskCar(Make(metering=Metering.MAF, feedback=Feedback.NONE)),
    "pressure_slow": DeskCar(Make(metering=Metering.MAP), max_pids=1, took_ms=300),
    "no_codes": DeskCar(Make(), says={}),
}


def surveyed(name: str) -> Survey:
    return survey_of(CARS[name].events(), RULES)


@pytest.mark.parametrize("name", CARS)
def test_the_text_is_what_is_expected(name: str, request: pytest.FixtureRequest) -> None:
    found = survey = surveyed(name)
    found = survey_text(survey) + "\n--- vehicle file ---\n" + vehicle_file(survey)
    expected = FOLDER / f"{name}.expected"
    if request.config.getoption("--accept", default=False):
        expected.write_text(found, encoding="utf-8")
    assert found == expected.read_text(encoding="utf-8")
    assert max(map(len, survey_text(survey).splitlines())) <= WIDTH
    assert VIN not in found


def test_every_expectation_has_its_car() -> None:
    assert {path.stem for path in FOLDER.glob("*.expected")} == set(CARS)


PAPERS = Papers(2.4, 4)


@pytest.mark.parametrize("name", CARS)
def test_with_the_car_s_papers_the_vehicle_file_can_be_used_as_it_is(name: str) -> None:
    text = vehicle_file(surveyed(name), PAPERS)
    car = vehicle_from(tomllib.loads(text), "survey")
    assert (car.fuel, car.displacement_l, car.cylinders) == ("petrol", 2.4, 4)
    assert "NEEDED" not in text
    assert car.metering == CARS[name].make.metering.value


def test_fuel_from_the_papers_stands_above_the_car_s_word() -> None:
    text = vehicle_file(surveyed("both_position"), Papers(1.9, 4, "lpg"))
    assert vehicle_from(tomllib.loads(text), "survey").fuel == "lpg"


@pytest.mark.parametrize(
    ("papers", "missing"),
    [(Papers(), ["displacement_l", "cylinders"]), (Papers(2.4), ["cylinders"])],
)
def test_without_them_it_says_what_is_needed_and_is_refused_by_name(
    papers: Papers, missing: list[str]
) -> None:
    text = vehicle_file(surveyed("both_position"), papers)
    assert "# NEEDED" in text and all(f"# {key} = " in text for key in missing)
    with pytest.raises(SootsayerError, match=", ".join(map(repr, missing))):
        vehicle_from(tomllib.loads(text), "survey")


def test_its_open_questions_can_be_answered_by_taking_away_the_sign() -> None:
    lines = vehicle_file(surveyed("both_position")).splitlines()
    answered = [
        line.removeprefix("# ") if line.startswith("# ") and " = " in line else line
        for line in lines
    ]
    car = vehicle_from(tomllib.loads("\n".join(answered)), "survey")
    assert (car.displacement_l, car.cylinders, car.feedback) == (2.0, 4, "position")


def test_fuel_is_the_kind_of_ignition_where_the_car_does_not_say_it() -> None:
    events = [
        e for e in CARS["both_position"].events()
        if not (isinstance(e, Reading) and any(s.channel == "fuel_typ" for s in e.samples))
    ]  # fmt: skip
    survey = survey_of(events, RULES)
    assert survey.value("fuel_typ") is None
    assert 'fuel = "petrol"  # its monitors are those of spark ignition' in vehicle_file(survey)


def test_the_json_says_the_same() -> None:
    survey = surveyed("both_position")
    plain = survey_json(survey)
    assert plain["units"][0]["vin"] == masked_vin(VIN) == "*************2401"
    by_link = {link["link"]: link for link in plain["links"]}
    assert by_link["flow"]["seen"] and len(by_link["flow"]["kinds"]) >= 2
    every = {c["channel"]: c for c in plain["channels"]}
    assert every["egr_pct"]["every_s"] == pytest.approx(0.2, rel=0.5)
    assert every["egr_pct"]["needed"] and every["egr_pct"]["wanted_s"] == 0.2
    (code,) = plain["codes"]
    assert (code["unit"], code["code"], code["seen"]) == ("7E8", "P0401", {"confirmed": 1})
    (frame,) = plain["freeze_frames"]
    assert frame == {
        "unit": "7E8", "code": "P0401",
        "values": {"vss": "80 km/h", "egr_pct": "25.098 %", "egr_err": "0 %"},
    }  # fmt: skip
    (result,) = plain["monitor_results"]
    # 1A90 = 6800, 0FA0 = 4000 thousandths of a kPa; 7FFF limits nothing (SAE J1979 kind FD)
    assert (result["value"], result["least"], result["greatest"]) == (6.8, 4.0, None)
    assert result["margin_pct"] == pytest.approx(70.0) and result["recirculation"]
    assert plain["readiness"]["lamp_on"] and not plain["readiness"]["recirculation_complete"]


def test_what_would_show_more_is_named_with_a_sensor() -> None:
    plain = survey_json(surveyed("air_mass_no_feedback"))
    helping = {a["channel"]: a for a in plain["additions"]}
    assert {"F1", "F1S", "F2"} <= set(helping["map"]["arms"])
    assert helping["map"]["sensor"] == "a pressure sensor at the intake manifold"
    assert helping["egr_a_act"]["arms"] == ["M1", "M2"]
    assert not next(link for link in plain["links"] if link["link"] == "flow")["seen"]
