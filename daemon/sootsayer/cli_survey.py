"""`sootsayer survey`: one look at a car that is plugged in, before anything is recorded."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sootsayer.model import SootsayerError

if TYPE_CHECKING:
    from sootsayer.clock import LogClock
    from sootsayer.live.source_thread import Source

FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.option("--port", help="Serial port of the adapter, e.g. /dev/ttyUSB0.")
@click.option("--can", "channel", help="CAN interface instead of an adapter, e.g. can0.")
@click.option("--can-interface", "interface", default="socketcan", show_default=True,
              type=click.Choice(["socketcan", "virtual", "udp_multicast"]),
              help="Kind of the CAN interface.")  # fmt: skip
@click.option("--config", type=FILE, help="Own settings, where the port may stand.")
@click.option("--seconds", type=click.FloatRange(3, 600), default=30, show_default=True,
              help="How long to read before telling.")  # fmt: skip
@click.option("--vehicle-out", type=FILE, help="Write a vehicle file for this car, a new file.")
@click.option("--json", "as_json", is_flag=True, help="Print the survey as one JSON object.")
def survey(
    port: str | None,
    channel: str | None,
    interface: str,
    config: Path | None,
    seconds: float,
    vehicle_out: Path | None,
    as_json: bool,
) -> None:
    """Say who answers, what the car gives and how often, and what can be judged of it.

    Ignition on; better with the engine running. The car is only read.
    """
    if port and channel:
        raise click.UsageError("--port or --can, not both")
    if vehicle_out is not None and vehicle_out.exists():
        raise SootsayerError(
            f"vehicle file {vehicle_out}: exists already; name another file or move it away"
        )
    from sootsayer.progress import ProgressBar
    from sootsayer.report.survey import survey_of
    from sootsayer.report.survey_text import survey_json, survey_text
    from sootsayer.report.vehicle_file import vehicle_file
    from sootsayer.rules.book import load_rules
    from sootsayer.surveying import stay, write_new

    bar = ProgressBar("reading")
    try:
        events = stay(_source(port, channel, interface, config), seconds, bar.show)
    finally:
        bar.clear()
    found = survey_of(events, load_rules())
    if as_json:
        click.echo(json.dumps(survey_json(found), ensure_ascii=False, indent=2))
    else:
        click.echo(survey_text(found), nl=False)
    if vehicle_out is not None:
        write_new(vehicle_out, vehicle_file(found))
        click.echo(f"vehicle file written: {vehicle_out}", err=True)


def _source(
    port: str | None, channel: str | None, interface: str, config: Path | None
) -> Callable[[LogClock], Source]:
    if channel:
        from sootsayer.sources.can_source import CanSource

        return lambda clock: CanSource(channel, interface, clock)
    from sootsayer.settings import load_settings
    from sootsayer.sources.serial_adapter import SerialSource

    named = port or load_settings(config).adapter.port
    return lambda clock: SerialSource(named, clock)
