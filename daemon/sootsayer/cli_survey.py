"""`sootsayer survey`: one look at a car that is plugged in, before anything is recorded."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import click

from sootsayer.model import SootsayerError
from sootsayer.vehicle import CHOICES, NUMBERS

if TYPE_CHECKING:
    from sootsayer.cli_ways import Way
    from sootsayer.report.survey import Survey
    from sootsayer.report.vehicle_file import Papers
    from sootsayer.settings import Settings

Number = TypeVar("Number", int, float)

CAR_SOURCES = ("adapter", "can", "stream")  # what reads the car itself
FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.option("--port", help="Serial port, e.g. /dev/ttyUSB0; none: only added sensors.")
@click.option("--stream", type=FILE, help="Definition of a serial stream spoken at the port.")
@click.option("--can", "channel", help="CAN interface instead of an adapter, e.g. can0.")
@click.option("--can-interface", type=click.Choice(["socketcan", "virtual", "udp_multicast"]),
              help="Its kind [default: socketcan].")  # fmt: skip
@click.option("--config", type=FILE, help="Own settings, with port and added sensors.")
@click.option("--seconds", type=click.FloatRange(3, 600), default=30, show_default=True,
              help="How long to read before telling.")  # fmt: skip
@click.option("--vehicle-out", type=FILE, help="Write a vehicle file for this car, a new file.")
@click.option("--displacement-l", type=click.FloatRange(*NUMBERS["displacement_l"]),
              help="From the car's papers, for the vehicle file: litres.")  # fmt: skip
@click.option("--cylinders", type=click.IntRange(1, 16), help="The same: how many.")
@click.option("--fuel", type=click.Choice(CHOICES["fuel"]),
              help="The same [default: what the car says].")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the survey as one JSON object.")
def survey(
    port: str | None,
    stream: Path | None,
    channel: str | None,
    can_interface: str | None,
    config: Path | None,
    seconds: float,
    vehicle_out: Path | None,
    displacement_l: float | None,
    cylinders: int | None,
    fuel: str | None,
    as_json: bool,
) -> None:
    """Say who answers, what the car gives and how often, and what can be judged of it.

    Added sensors of the settings are read beside. Ignition on; better with the engine running.
    The car is only read.
    """
    if vehicle_out is None and (displacement_l, cylinders, fuel) != (None, None, None):
        raise click.UsageError(
            "--displacement-l, --cylinders and --fuel are for the file of --vehicle-out FILE"
        )
    from sootsayer.cli_ways import chosen_way
    from sootsayer.report.survey_text import survey_json, survey_text
    from sootsayer.report.vehicle_file import Papers
    from sootsayer.settings import load_settings

    settings = load_settings(config)
    way = chosen_way(settings, port, stream, channel, can_interface)
    if vehicle_out is not None and vehicle_out.exists():
        raise SootsayerError(
            f"vehicle file {vehicle_out}: exists already; name another file or move it away"
        )
    found = _found(settings, way, seconds)
    if as_json:
        click.echo(json.dumps(survey_json(found), ensure_ascii=False, indent=2))
    else:
        click.echo(survey_text(found), nl=False)
    if vehicle_out is not None:
        _write(vehicle_out, found, Papers(displacement_l, cylinders, fuel))


def _found(settings: Settings, way: Way, seconds: float) -> Survey:
    from sootsayer.progress import ProgressBar
    from sootsayer.report.survey import survey_of
    from sootsayer.rules.book import load_rules
    from sootsayer.surveying import stay
    from sootsayer.watching import configured, sources_of

    makers = sources_of(settings, way.port, way.stream, way.can)
    stated = configured(settings, way.port, way.stream, way.can)
    car = next((name for name in makers if name in CAR_SOURCES), None)
    beside = [make for name, make in makers.items() if name != car]
    bar = ProgressBar("reading")
    try:
        events = stay(makers[car] if car else None, seconds, bar.show, beside=beside)
    finally:
        bar.clear()
    return survey_of(events, load_rules(), stated)


def _write(file: Path, found: Survey, papers: Papers) -> None:
    """Write the vehicle file; what only the papers tell is asked at a keyboard."""
    from sootsayer.report.vehicle_file import vehicle_file
    from sootsayer.surveying import write_new

    if sys.stdin.isatty() and sys.stderr.isatty():
        papers = replace(
            papers,
            displacement_l=papers.displacement_l or _asked("displacement in litres", float),
            cylinders=papers.cylinders or _asked("number of cylinders", int),
        )
    write_new(file, vehicle_file(found, papers))
    click.echo(f"vehicle file written: {file}", err=True)
    if papers.missing:
        names = " and ".join(papers.missing)
        click.echo(f"before it can be used, fill in {names} from the car's papers", err=True)


def _asked(what: str, kind: Callable[[str], Number]) -> Number | None:
    """A number a person types, None for an empty line."""
    said = click.prompt(f"{what} (Enter: fill it in later)", "", show_default=False, err=True)
    try:
        return kind(said) if said else None
    except ValueError:
        click.echo(f"{said!r} is no number; fill it in later", err=True)
        return None
