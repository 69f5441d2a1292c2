"""Which way into the car the command line and the settings mean: adapter, stream or CAN."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sootsayer.model import SootsayerError

if TYPE_CHECKING:
    from sootsayer.settings import CanChoice, Settings


@dataclass(frozen=True, slots=True)
class Way:
    """``can`` is None where the car is read at ``port``, by ``stream``'s definition if any."""

    port: str
    stream: Path | None
    can: CanChoice | None


def chosen_way(
    settings: Settings,
    port: str | None,
    stream: Path | None,
    can: str | None,
    can_interface: str | None,
    listen_only: bool = False,
) -> Way:
    """What the command line names stands above what the settings name.

    Raises click.UsageError for two ways on one command line, SootsayerError for two in the
    settings: a way that is silently left out costs a day's recording.
    """
    from sootsayer.settings import CanChoice

    if can and port:
        raise click.UsageError(
            "--port or --can, not both: --can reads the car without an adapter; leave --port out"
        )
    if can and stream:
        raise click.UsageError(
            "--stream or --can, not both: a stream is spoken at a serial port (--port), and "
            "--can names a CAN interface"
        )
    channel = can or ("" if port or stream else settings.can.channel)
    if (can_interface or listen_only) and not channel:
        raise click.UsageError("--can-interface and --listen-only need --can CHANNEL")
    if channel and not can and settings.stream.file:
        raise SootsayerError(
            f"settings can.channel {channel!r} and stream.file {settings.stream.file!r} name two "
            "ways into one car; empty one of them, or name one with --can or --stream"
        )
    chosen = CanChoice(
        channel,
        can_interface or settings.can.interface,
        listen_only or settings.can.listen_only,
        settings.can.dbc,
        settings.can.signals,
    )
    named = stream or (Path(settings.stream.file) if settings.stream.file else None)
    return Way(port or settings.adapter.port, named, chosen if channel else None)
