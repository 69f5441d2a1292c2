"""Plain words for channels, from ``channels.toml``: labels, and sensors that would give them."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files


@cache
def _rows() -> Mapping[str, Mapping[str, str]]:
    source = files("sootsayer_config").joinpath("channels.toml")
    return tomllib.loads(source.read_text(encoding="utf-8"))


def label_of(channel: str) -> str:
    """ "Intake manifold pressure" for ``map``; an id that is not listed speaks for itself."""
    name, _, unit = channel.partition("@")
    label = str(_rows().get(name, {}).get("label", name))
    return f"{label}, control unit {unit}" if unit else label


def sensor_for(channel: str) -> str:
    """What somebody could fit where a car does not give this channel, "" where nothing is known."""
    return str(_rows().get(channel, {}).get("sensor", ""))
