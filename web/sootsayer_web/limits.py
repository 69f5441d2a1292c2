"""What the dashboard may take, read once from ``dashboard.toml``."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from importlib.resources import files
from typing import Self


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the dashboard; their reasons stand beside the figures in ``dashboard.toml``."""

    streams: int
    heartbeat_s: float
    oldest_s: float
    look_s: float
    page_threads: int
    recorder_silent_s: float
    readings_silent_s: float
    trace_width: int
    trace_widest: int
    trace_channels: int
    recent_s: float
    newest_alerts: int
    recent_rows: int
    first_hours: float
    around_s: float
    least_s: float
    evidence_rows: int
    episodes: int
    strip: int
    gaps: int
    anchors: int
    boots: int
    clock_apart_s: float
    clock_round_trip_s: float
    pack_longest_s: float

    @classmethod
    def shipped(cls) -> Self:
        """As the project ships them."""
        text = files("sootsayer_config").joinpath("dashboard.toml").read_text(encoding="utf-8")
        table = tomllib.loads(text)
        return cls(
            streams=table["streams"]["at_once"],
            heartbeat_s=table["streams"]["heartbeat_s"],
            oldest_s=table["streams"]["oldest_s"],
            look_s=table["streams"]["look_s"],
            page_threads=table["threads"]["pages"],
            recorder_silent_s=table["silence"]["recorder_s"],
            readings_silent_s=table["silence"]["readings_s"],
            trace_width=table["trace"]["width"],
            trace_widest=table["trace"]["widest"],
            trace_channels=table["trace"]["channels"],
            recent_s=table["now"]["recent_s"],
            newest_alerts=table["now"]["alerts"],
            recent_rows=table["now"]["table_rows"],
            first_hours=table["now"]["first_hours"],
            around_s=table["alert"]["around_s"],
            least_s=table["alert"]["least_s"],
            evidence_rows=table["alert"]["table_rows"],
            episodes=table["alert"]["episodes"],
            strip=table["alert"]["strip"],
            gaps=table["logger"]["gaps"],
            anchors=table["logger"]["anchors"],
            boots=table["logger"]["boots"],
            clock_apart_s=table["clock"]["apart_s"],
            clock_round_trip_s=table["clock"]["round_trip_s"],
            pack_longest_s=table["evidence"]["longest_s"],
        )
