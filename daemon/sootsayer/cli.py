"""The commands: arguments in, one clear line out when something is wrong.

Exit 0 when all went well; 1 for trouble with the environment (a file, a port, a recorder);
2 when the command line itself is wrong. Each command imports what it needs when it runs, so
that `sootsayer --help` is quick and the recorder never loads the dashboard.
"""

from __future__ import annotations

import json
import logging
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from sootsayer import __version__, cli_archive, cli_check, cli_record, cli_survey
from sootsayer.model import SootsayerError

if TYPE_CHECKING:
    from sootsayer.settings import Settings
    from sootsayer.vehicle import Vehicle

FILE = click.Path(path_type=Path, dir_okay=False)

archive_option = click.option(
    "--archive", type=FILE, help="The archive file [default: from the settings]."
)
vehicle_option = click.option("--vehicle", type=FILE, help="The vehicle file (TOML).")
config_option = click.option(
    "--config", type=FILE, help="Own settings [default: /etc/sootsayer/sootsayer.toml]."
)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message="%(prog)s %(version)s")
def commands() -> None:
    """A witness that stays in the car: records engine data for days and judges exhaust gas
    recirculation. The car is only read."""


@commands.command()
@click.option("--port", help="Serial port, e.g. /dev/ttyUSB0; none: only added sensors.")
@click.option("--stream", type=FILE, help="Definition of a serial stream spoken at the port.")
@click.option("--can", metavar="CHANNEL", help="Read a CAN interface instead, e.g. can0.")
@click.option("--can-interface", type=click.Choice(["socketcan", "virtual", "udp_multicast"]),
              help="Its kind [default: socketcan].")  # fmt: skip
@click.option("--listen-only", is_flag=True, help="CAN: send nothing, read another tester's talk.")
@archive_option
@vehicle_option
@config_option
@click.option("--wait", is_flag=True, help="Do not insist that the port exists at the start.")
def watch(
    port: str | None,
    stream: Path | None,
    can: str | None,
    can_interface: str | None,
    listen_only: bool,
    archive: Path | None,
    vehicle: Path | None,
    config: Path | None,
    wait: bool,
) -> None:
    """Record through an adapter, a CAN interface or a stream of older cars until stopped."""
    from sootsayer.cli_ways import chosen_way
    from sootsayer.settings import load_settings
    from sootsayer.watching import watch_plan

    settings = load_settings(config)
    way = chosen_way(settings, port, stream, can, can_interface, listen_only)
    plan = watch_plan(
        settings,
        port=way.port,
        archive=archive or _archive(settings),
        vehicle=_vehicle(vehicle, settings),
        must_exist=not wait,
        stream=way.stream,
        can=way.can,
    )
    _log_to_stderr()
    from sootsayer.service import Recorder

    recorder = Recorder(plan)
    _on_signals(recorder.stop)
    recorder.run()


@commands.command()
@archive_option
@config_option
@click.option("--host", help="Address to listen at [default: 127.0.0.1].")
@click.option("--http-port", "--port", type=click.IntRange(0, 65535), help="[default: 8080]")
def web(archive: Path | None, config: Path | None, host: str | None, http_port: int | None) -> None:
    """Serve the dashboard; it only reads, and asks the recorder for what a person changes."""
    import threading

    from sootsayer.notify import Notifier
    from sootsayer.settings import control_socket_path, load_settings
    from sootsayer_web.serving import serve

    settings = load_settings(config)
    notifier = Notifier.from_environment()
    stop = threading.Event()
    _on_signals(stop.set)

    def ready(address: str) -> None:
        notifier.ready()
        notifier.status(f"dashboard at {address}")
        click.echo(f"dashboard at {address}", err=True)

    file = archive or _archive(settings)
    serve(
        file,
        host or settings.dashboard.host,
        settings.dashboard.http_port if http_port is None else http_port,
        stop,
        ready,
        control=control_socket_path(settings, os.environ, file),
    )


@commands.command()
@click.argument("captures", nargs=-1, required=True, type=click.Path(path_type=Path))
@vehicle_option
@click.option("--archive", type=FILE, help="Keep what was read and found as a new archive.")
@click.option(
    "--dbc", type=FILE, help="The car's DBC file, for its own broadcasts; with --signals."
)
@click.option("--signals", type=FILE, help="TOML that states which signal is which channel.")
@click.option("--json", "as_json", is_flag=True, help="Print the verdict as one JSON object.")
def judge(
    captures: tuple[Path, ...],
    vehicle: Path | None,
    archive: Path | None,
    dbc: Path | None,
    signals: Path | None,
    as_json: bool,
) -> None:
    """Judge recordings: CAN logs, CSV with named columns, adapter transcripts, or an archive."""
    if (dbc is None) != (signals is None):
        raise click.UsageError("--dbc and --signals belong together; give both or neither")
    from sootsayer.offline import judge as judge_captures
    from sootsayer.progress import ProgressBar
    from sootsayer.report.verdict_text import verdict_text
    from sootsayer.vehicle import Vehicle, load_vehicle

    broadcasts = None
    if dbc is not None and signals is not None:
        from sootsayer.sources.dbc import load_dbc

        broadcasts = load_dbc(dbc, signals)
    car = load_vehicle(vehicle) if vehicle else Vehicle.unknown()
    bar = ProgressBar("judging")
    try:
        verdict = judge_captures(captures, car, archive, bar.show, broadcasts)
    finally:
        bar.clear()
    if as_json:
        click.echo(json.dumps(verdict, ensure_ascii=False, indent=2))
    else:
        click.echo(verdict_text(verdict), nl=False)


@commands.command()
@click.argument("text")
@click.option("--archive", type=FILE, help="Archive of the recorder that is meant.")
@config_option
def mark(text: str, archive: Path | None, config: Path | None) -> None:
    """Keep a remark at this moment, e.g. sootsayer mark "knocks uphill"."""
    _ask_recorder(archive, config, "mark", text=text, author=os.environ.get("USER", ""))
    click.echo(f"marked: {text}")


@commands.command()
@click.argument("text")
@click.option("--archive", type=FILE, help="Archive of the recorder that is meant.")
@config_option
def repaired(text: str, archive: Path | None, config: Path | None) -> None:
    """Record a repair, e.g. sootsayer repaired "passage cleaned".

    From then on the same rules are compared before and after it.
    """
    _ask_recorder(archive, config, "repair", text=text)
    click.echo(f"repair recorded: {text}")


@commands.command()
@click.argument("check")
@click.argument("outcome")
@click.option("--archive", type=FILE, help="Archive of the recorder that is meant.")
@config_option
def found(check: str, outcome: str, archive: Path | None, config: Path | None) -> None:
    """Record what a hand check showed, e.g. sootsayer found open_by_hand no_change.

    A wrong name is answered with the names to choose from. The result moves the weights of the
    causes and the proposal of the next check.
    """
    _ask_recorder(archive, config, "found", check=check, outcome=outcome)
    click.echo(f"recorded: {check} {outcome}")


def _ask_recorder(archive: Path | None, config: Path | None, request: str, **words: str) -> None:
    from sootsayer.control import ask
    from sootsayer.settings import control_socket_path, load_settings

    settings = load_settings(config)
    socket = control_socket_path(settings, os.environ, archive or _archive(settings))
    ask(socket, request, **words)


@commands.command()
@archive_option
@config_option
@click.option("--alert", type=int, help="Number of an alert, as the dashboard shows it.")
@click.option("--start", help="UTC, e.g. 2026-11-24T07:30:00Z [default: the first reading].")
@click.option("--end", help="UTC, e.g. 2026-11-24T08:00:00Z [default: the last reading].")
@click.option("--channels", help="Names separated by commas, e.g. rpm,map [default: all].")
@click.option("--show-vin", is_flag=True, help="Do not mask the vehicle's number (CSV).")
@click.option("--format", "form", default="csv", show_default=True,
              type=click.Choice(["csv", "parquet", "mdf4", "sqlite"]),
              help="sqlite: one row a reading.")  # fmt: skip
@click.option("--out", required=True, help="File to write, - for standard output (CSV).")
def export(
    archive: Path | None,
    config: Path | None,
    alert: int | None,
    start: str | None,
    end: str | None,
    channels: str | None,
    show_vin: bool,
    form: str,
    out: str,
) -> None:
    """Write one alert or one span as CSV, Parquet, MDF 4 or SQLite rows, with units and UTC."""
    if alert is not None and (start or end or channels):
        raise click.UsageError("--alert brings its own span and channels; leave the others out")
    from sootsayer.exporting import Wanted
    from sootsayer.exporting import export as write_export
    from sootsayer.progress import ProgressBar
    from sootsayer.settings import load_settings

    names = [name.strip() for name in channels.split(",")] if channels else None
    source = archive or _archive(load_settings(config))
    bar = ProgressBar("exporting")
    try:
        wanted = Wanted(alert, start, end, names, show_vin)
        rows = write_export(source, wanted, out, form, bar.show)
    finally:
        bar.clear()
    click.echo(f"{rows} rows", err=True)


@commands.command()
@click.option("--dir", "folder", type=click.Path(path_type=Path, file_okay=False),
              help="Keep the demo archive in this folder [default: gone at the end]")  # fmt: skip
@click.option("--days", type=click.IntRange(1, 60), default=4, show_default=True)
@click.option("--seed", type=int, default=1, show_default=True, help="Another car and weather.")
@click.option("--http-port", "--port", type=click.IntRange(0, 65535), default=8080,
              show_default=True)  # fmt: skip
@click.option("--no-live", is_flag=True, help="Only build the history, then end.")
@click.option("--stream", is_flag=True, help="Live through a serial stream of older cars.")
def demo(
    folder: Path | None, days: int, seed: int, http_port: int, no_live: bool, stream: bool
) -> None:
    """The whole program on an invented car: some days of history, then live."""
    if no_live and folder is None:
        raise click.UsageError("--no-live needs --dir, otherwise nothing would be left")
    from sootsayer.demonstration import Demo, run_demo
    from sootsayer.settings import shipped_settings
    from sootsayer_web.serving import serve

    _log_to_stderr(logging.WARNING)
    wanted = Demo(folder, days, seed, http_port, live=not no_live, stream=stream)
    run_demo(wanted, shipped_settings(), serve, _on_signals, sys.stdout)


commands.add_command(cli_archive.verify)
commands.add_command(cli_archive.repair)
commands.add_command(cli_archive.backup)
commands.add_command(cli_archive.pack)
commands.add_command(cli_survey.survey)
commands.add_command(cli_check.check_config)
commands.add_command(cli_record.record)
commands.add_command(cli_record.replay)


# ---------------------------------------------------------------- shared by the commands


def _on_signals(stop: Callable[[], object]) -> None:
    """SIGTERM and SIGINT call ``stop``, which must end the program cleanly."""
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop())


def _archive(settings: Settings) -> Path:
    from sootsayer.settings import archive_path

    return archive_path(settings, os.environ, Path.home())


def _vehicle(named: Path | None, settings: Settings) -> Vehicle:
    from sootsayer.vehicle import Vehicle, load_vehicle

    path = named or (Path(settings.vehicle.file) if settings.vehicle.file else None)
    return load_vehicle(path) if path else Vehicle.unknown()


def _log_to_stderr(level: int = logging.INFO) -> None:
    """Plain lines: the journal adds time and unit."""
    logging.basicConfig(level=level, format="%(message)s", stream=sys.stderr)


def main() -> NoReturn:
    """Entry point of the command line."""
    try:
        commands.main(prog_name="sootsayer")
    except SootsayerError as trouble:
        click.echo(f"sootsayer: {trouble}", err=True)
        sys.exit(1)
    sys.exit(0)


if __name__ == "__main__":
    main()
