"""Puts the recorder together for one car: adapter, CAN or serial stream, and added sensors."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from sootsayer.clock import LogClock
from sootsayer.fingerprint import fingerprint
from sootsayer.live.source_thread import Source
from sootsayer.model import SootsayerError
from sootsayer.notify import Notifier
from sootsayer.pipeline import Pipeline
from sootsayer.service import Plan
from sootsayer.settings import CanChoice, Settings, control_socket_path
from sootsayer.sources.key_off import Lines
from sootsayer.sources.serial_adapter import SerialSource
from sootsayer.vehicle import Vehicle

NO_PORT = "none"

Makers = dict[str, Callable[[LogClock], Source]]
MakeLines = Callable[[LogClock], Lines]


def watch_plan(
    settings: Settings,
    port: str,
    archive: Path,
    vehicle: Vehicle,
    must_exist: bool,
    stream: Path | None = None,
    environ: Mapping[str, str] = os.environ,
    make_clock: Callable[[int], LogClock] = LogClock,
    can: CanChoice | None = None,
) -> Plan:
    """A plan for `sootsayer.service.Recorder`.

    ``port``: a device path, or an address that pyserial knows (``socket://…``). With
    ``must_exist`` a device that is not there is refused with SootsayerError: at a keyboard it
    is a misspelling, under systemd it is a car without its adapter, which is waited for.
    ``NO_PORT``: only the sensors of the settings are read. ``stream``: the definition of a serial
    stream that is spoken at the port. ``can``: the interface at which the car is read instead.
    """
    if can is not None:
        port = NO_PORT
    sources = sources_of(settings, port, stream, can)
    if port != NO_PORT and must_exist and "://" not in port and not Path(port).is_char_device():
        raise SootsayerError(
            f"port {port or '(none)'} does not exist or is no serial port; plug the adapter in "
            "and name its port with --port, or wait for it with --wait"
        )

    def make_pipeline(state: dict[str, Any] | None) -> Pipeline:
        restored = Pipeline.restore(vehicle, state) if state else None
        return restored or Pipeline(vehicle)

    return Plan(
        archive=archive,
        sources=sources,
        make_pipeline=make_pipeline,
        settings=settings,
        fingerprint=fingerprint(vehicle),
        port=port if can is None else can.channel,
        control=control_socket_path(settings, environ, archive),
        notifier=Notifier.from_environment(environ),
        make_clock=make_clock,
    )


def sources_of(settings: Settings, port: str, stream: Path | None, can: CanChoice | None) -> Makers:
    """Makers by name: what reads the car first, then the sensors beside it.

    Raises SootsayerError for what is wrong in settings or definition, and where there is nothing
    to read.
    """
    sources: Makers = {}
    lines, sensors = _sensors(settings)
    if port != NO_PORT and can is None:
        sources |= _at_port(port, stream or _named(settings.stream.file), lines)
    if can is not None:
        sources |= _at_can(can, lines)
    sources |= sensors
    if not sources:
        raise SootsayerError(
            f"port {NO_PORT!r} leaves nothing to read; name a port with --port, or sensors under "
            "[sensors.NAME] in the settings"
        )
    return sources


def _at_port(port: str, stream: Path | None, lines: MakeLines) -> Makers:
    if stream is None:
        return {"adapter": lambda clock: SerialSource(port, clock, lines=lines(clock))}
    from sootsayer.sources.stream_source import StreamSource, load_stream

    table = load_stream(stream)
    return {"stream": lambda clock: StreamSource(port, table, clock)}


def _sensors(settings: Settings) -> tuple[MakeLines, Makers]:
    """The added sensors; those that tell the key's position are heard by the car's source too."""
    if not settings.sensors.stated:
        return lambda clock: Lines(), {}
    from sootsayer.sources.key_lines import KEY_CHANNELS, heard_lines
    from sootsayer.sources.sensors.making import sensor_sources

    made = sensor_sources(settings.sensors.stated, settings.sensors.where)
    promised = configured(settings, NO_PORT, None, None)
    telling = {name: set(channels) & KEY_CHANNELS for name, channels in promised.items()}
    return heard_lines(made, telling)


def configured(
    settings: Settings, port: str, stream: Path | None, can: CanChoice | None
) -> dict[str, tuple[str, ...]]:
    """Channels that a definition of stream and the settings' sensors promise, by source."""
    from sootsayer.sources.sensors.plans import channels_of, sensor_plans

    promised: dict[str, tuple[str, ...]] = {}
    if stream is not None and can is None and port != NO_PORT:
        from sootsayer.sources.stream_source import load_stream

        messages = load_stream(stream).messages
        channels = [row.channel for message in messages for row in message.rows]
        promised["stream"] = tuple(dict.fromkeys(channels))
    for plan in sensor_plans(settings.sensors.stated, settings.sensors.where):
        promised[f"sensor {plan.name}"] = channels_of(plan)
    return promised


def _at_can(can: CanChoice, lines: MakeLines) -> Makers:
    from sootsayer.sources.can_opening import interface_of
    from sootsayer.sources.can_source import CanSource

    interface_of(can.interface, can.channel)  # a misspelt kind is told before anything starts

    def make(clock: LogClock) -> Source:
        return CanSource(
            can.channel, can.interface, clock, listen_only=can.listen_only, lines=lines(clock)
        )

    return {"can": make} | _broadcasts(can)


def _broadcasts(can: CanChoice) -> Makers:
    """What the bus says by itself, heard beside: heavy vehicles', and by the owner's DBC file."""
    if bool(can.dbc) != bool(can.signals):
        raise SootsayerError(
            f"settings can.dbc {can.dbc!r} and can.signals {can.signals!r} belong together; "
            "state both or neither"
        )
    if not (can.dbc or can.listen_only):
        return {}
    from sootsayer.protocol.j1939 import J1939Decoder
    from sootsayer.sources.listen import FrameDecoder, ListenSource, bus_opener

    own: list[FrameDecoder] = []
    if can.dbc:
        from sootsayer.sources.dbc import load_dbc

        own.append(load_dbc(Path(can.dbc), Path(can.signals)))

    def make(clock: LogClock) -> Source:
        heavy: list[FrameDecoder] = [J1939Decoder()] if can.listen_only else []
        return ListenSource(bus_opener(can.interface, can.channel), clock, [*own, *heavy])

    return {"broadcasts": make}


def _named(file: str) -> Path | None:
    return Path(file) if file else None
