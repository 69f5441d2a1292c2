"""Settings of the adapter source and the wanted pace of channels, from the shipped TOML."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files
from typing import Any


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """Reasons stand beside each value in ``adapter.toml``. Pauses: the last one repeats."""

    speeds_baud: tuple[int, ...]
    reconnect_pauses_s: tuple[float, ...]
    charging_volts: float
    surely_charging_volts: float
    rise_volts: float
    engine_stopped_s: float
    engine_stopped_without_volts_s: float
    missed_replies: int
    key_off_pauses_s: tuple[float, ...]
    blind_pauses_s: tuple[float, ...]
    silent_pauses_s: tuple[float, ...]
    codes_s: float
    monitors_s: float
    volts_s: float
    counters_s: float
    missed_pids: int


def _table(name: str) -> dict[str, Any]:
    return tomllib.loads(files("sootsayer_config").joinpath(name).read_text(encoding="utf-8"))


@cache
def serial_settings() -> SerialSettings:
    """The shipped settings."""
    table = _table("adapter.toml")
    values: dict[str, Any] = {
        field.name: tuple(value) if isinstance(value := table[field.name], list) else value
        for field in fields(SerialSettings)
    }
    return SerialSettings(**values)


@cache
def wanted_s() -> Mapping[str, float]:
    """Channel → seconds wanted between two readings."""
    return {channel: row["wanted_s"] for channel, row in _table("channels.toml").items()}
