"""Commands for transcripts: record a conversation with an adapter, and see what we make of one."""

from __future__ import annotations

import signal
import threading
from pathlib import Path

import click

from sootsayer.model import SootsayerError

FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.option("--port", required=True, help="Serial port of the adapter, e.g. /dev/ttyUSB0.")
@click.option("--out", type=FILE, required=True, help="The transcript, a new file.")
@click.option("--seconds", type=click.FloatRange(min=1), help="[default: until Ctrl-C]")
@click.option("--show-vin", is_flag=True, help="Do not mask the vehicle's number.")
def record(port: str, out: Path, seconds: float | None, show_vin: bool) -> None:
    """Keep everything said between recorder and adapter as a transcript that can be sent."""
    from sootsayer.transcribing import record as transcribe

    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    turns = transcribe(
        port,
        out,
        stop,
        seconds=seconds,
        show_vin=show_vin,
        tell=lambda words: click.echo(words, err=True),
    )
    click.echo(f"{turns} requests in {out}", err=True)


@click.command()
@click.argument("transcript", type=FILE)
def replay(transcript: Path) -> None:
    """Show, request by request, what is made of a transcript."""
    from sootsayer.protocol.replay import replay as replayed

    try:
        click.echo(replayed(transcript.read_text(encoding="utf-8", errors="replace")), nl=False)
    except OSError as trouble:
        raise SootsayerError(
            f"transcript {transcript} cannot be read: {trouble.strerror}; check the path"
        ) from trouble
    except ValueError as trouble:
        raise SootsayerError(
            f"transcript {transcript}: {trouble}; leave the line out or record again"
        ) from trouble
