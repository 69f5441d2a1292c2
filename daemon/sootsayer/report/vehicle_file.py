"""A vehicle file from a survey: what the car told is filled in, what it cannot tell is asked."""

from __future__ import annotations

import json
from collections.abc import Iterator

from sootsayer.report.survey import Survey

VIN_SHOWN = 4  # last characters, which tell two cars apart and identify neither
FUELS = {1: "petrol", 3: "ethanol", 4: "diesel", 5: "lpg", 6: "cng"}  # SAE J1979 PID 51
POSITION = ("egr_a_act", "egr_err", "egr_a_err")


def masked_vin(vin: str) -> str:
    """A VIN with all but its last characters starred."""
    return "*" * max(0, len(vin) - VIN_SHOWN) + vin[-VIN_SHOWN:]


def vehicle_file(survey: Survey) -> str:
    """TOML that `load_vehicle` accepts as it stands, with the open questions as comments."""
    return "\n".join([*_stated(survey), *_asked(survey)]) + "\n"


def _stated(survey: Survey) -> Iterator[str]:
    yield "# Written by sootsayer survey. Lines that begin with # are questions the car cannot"
    yield "# answer: take away the #, put in what is right. None of them must be answered."
    yield f"name = {json.dumps(_name(survey))}  # any name you like"
    fuel, source = _fuel(survey)
    yield f'fuel = "{fuel}"  # {source}'
    metering = _metering(survey)
    if metering:
        yield f'metering = "{metering}"  # the sensors that the car reads out'


def _asked(survey: Survey) -> Iterator[str]:
    yield ""
    yield "# displacement_l = 2.0  # litres, from the car's papers; makes flow figures sharper"
    yield "# cylinders = 4"
    yield '# valve = "electric"  # vacuum, lift, pressure, electric, loop: look at the valve'
    if any(channel in survey.given for channel in POSITION):
        yield "# The car gives a position. Whether it was measured or only repeats the command"
        yield "# shows within a few openings; state it only if you know the sensor."
        yield '# feedback = "position"  # contact, thermistor, position, pressure'
    else:
        yield '# feedback = "none"  # the car reads none out; contact, thermistor, … if fitted'


def _name(survey: Survey) -> str:
    vin = next((unit.vin for unit in survey.units if unit.vin), "")
    return f"car {vin[-VIN_SHOWN:]}" if vin else "my car"


def _fuel(survey: Survey) -> tuple[str, str]:
    told = survey.value("fuel_typ")
    if told is not None and int(told) in FUELS:
        return FUELS[int(told)], "as the car says"
    status = survey.readiness.since_cleared or survey.readiness.this_cycle
    if status is not None:
        fuel = "diesel" if status.compression_ignition else "petrol"
        kind = "compression" if status.compression_ignition else "spark"
        return fuel, f"its monitors are those of {kind} ignition; lpg, cng or ethanol if so"
    return "petrol", "a guess: petrol, diesel, lpg, cng, ethanol"


def _metering(survey: Survey) -> str:
    air = bool(survey.given & {"maf", "mafa"})
    pressure = bool(survey.given & {"map", "map_a"})
    return {(True, True): "both", (True, False): "maf", (False, True): "map"}.get(
        (air, pressure), ""
    )
