"""A vehicle file from a survey: what the car told is filled in, what it cannot tell is asked."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass

from sootsayer.report.survey import Survey

VIN_SHOWN = 4  # last characters, which tell two cars apart and identify neither
FUELS = {1: "petrol", 3: "ethanol", 4: "diesel", 5: "lpg", 6: "cng"}  # SAE J1979 PID 51
POSITION = ("egr_a_act", "egr_err", "egr_a_err")


def masked_vin(vin: str) -> str:
    """A VIN with all but its last characters starred."""
    return "*" * max(0, len(vin) - VIN_SHOWN) + vin[-VIN_SHOWN:]


@dataclass(frozen=True, slots=True)
class Papers:
    """What stands in the car's papers and no car tells. None: not known at present."""

    displacement_l: float | None = None
    cylinders: int | None = None
    fuel: str | None = None

    @property
    def missing(self) -> tuple[str, ...]:
        """Keys without which `load_vehicle` refuses the file."""
        found = {"displacement_l": self.displacement_l, "cylinders": self.cylinders}
        return tuple(key for key, value in found.items() if value is None)


NOTHING_KNOWN = Papers()


def vehicle_file(survey: Survey, papers: Papers = NOTHING_KNOWN) -> str:
    """TOML for `load_vehicle`: ready to use where ``papers`` lack nothing.

    Otherwise the lines that are needed stand there as comments, to be filled in.
    """
    return "\n".join([*_stated(survey, papers), *_asked(survey)]) + "\n"


def _stated(survey: Survey, papers: Papers) -> Iterator[str]:
    yield "# Written by sootsayer survey. Lines that begin with # are questions the car cannot"
    yield "# answer: take away the #, put in what is right."
    yield f"name = {json.dumps(_name(survey))}  # any name you like"
    if papers.missing:
        yield "# NEEDED, from the car's papers, before the file can be used; no car tells it:"
    yield _line("displacement_l", papers.displacement_l, "2.0", "litres, all cylinders together")
    yield _line("cylinders", papers.cylinders, "4")
    fuel, source = (papers.fuel, "as you say") if papers.fuel else _fuel(survey)
    yield f'fuel = "{fuel}"  # {source}'
    metering = _metering(survey)
    if metering:
        yield f'metering = "{metering}"  # the sensors that the car reads out'


def _line(key: str, value: float | None, example: str, words: str = "") -> str:
    shown = f"# {key} = {example}" if value is None else f"{key} = {value:g}"
    return f"{shown}  # {words}" if words else shown


def _asked(survey: Survey) -> Iterator[str]:
    yield ""
    yield "# None of these must be answered."
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
