"""Puts the recorder together for one car and one serial adapter."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from sootsayer.clock import LogClock
from sootsayer.fingerprint import fingerprint
from sootsayer.model import SootsayerError
from sootsayer.notify import Notifier
from sootsayer.pipeline import Pipeline
from sootsayer.service import Plan
from sootsayer.settings import Settings, control_socket_path
from sootsayer.sources.serial_adapter import SerialSource
from sootsayer.vehicle import Vehicle


def watch_plan(
    settings: Settings,
    port: str,
    archive: Path,
    vehicle: Vehicle,
    must_exist: bool,
    environ: Mapping[str, str] = os.environ,
    make_clock: Callable[[int], LogClock] = LogClock,
) -> Plan:
    """A plan for `sootsayer.service.Recorder`.

    ``port``: a device path, or an address that pyserial knows (``socket://…``). With
    ``must_exist`` a device that is not there is refused with SootsayerError: at a keyboard it
    is a misspelling, under systemd it is a car without its adapter, which is waited for.
    """
    if must_exist and "://" not in port and not Path(port).is_char_device():
        raise SootsayerError(
            f"port {port or '(none)'} does not exist or is no serial port; plug the adapter in "
            "and name its port with --port, or wait for it with --wait"
        )

    def make_pipeline(state: dict[str, Any] | None) -> Pipeline:
        restored = Pipeline.restore(vehicle, state) if state else None
        return restored or Pipeline(vehicle)

    return Plan(
        archive=archive,
        sources={"adapter": lambda clock: SerialSource(port, clock)},
        make_pipeline=make_pipeline,
        settings=settings,
        fingerprint=fingerprint(vehicle),
        port=port,
        control=control_socket_path(settings, environ, archive),
        notifier=Notifier.from_environment(environ),
        make_clock=make_clock,
    )
