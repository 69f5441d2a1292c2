"""Settings of the CAN source, from the shipped TOML."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files
from typing import Any


@dataclass(frozen=True, slots=True)
class CanSettings:
    """Reasons stand beside each value in ``can.toml``. Pauses: the last one repeats."""

    rates_bit_s: tuple[int, ...]
    listen_s: float
    proof_frames: int
    reply_s: float
    late_s: float
    pending_s: float
    most_pendings: int
    busy_pause_s: float
    most_busy: int
    consecutive_ms: int
    missed_unit: int
    missed_pids: int
    missed_replies: int
    quiet_s: float
    awake_pauses_s: tuple[float, ...]
    blind_pauses_s: tuple[float, ...]
    wake_pauses_s: tuple[float, ...]
    look_s: float
    reconnect_pauses_s: tuple[float, ...]
    fault_pauses_s: tuple[float, ...]
    counters_s: float


@cache
def can_settings() -> CanSettings:
    """The shipped settings."""
    text = files("sootsayer_config").joinpath("can.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    values: dict[str, Any] = {
        field.name: tuple(value) if isinstance(value := table[field.name], list) else value
        for field in fields(CanSettings)
    }
    return CanSettings(**values)
