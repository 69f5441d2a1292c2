"""Plain words for channels: the label from ``channels.toml``, with the control unit if named."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files


def label_of(channel: str) -> str:
    """A channel in plain words: ``map`` is "Manifold pressure"; unknown ids speak for themselves.

    A second control unit's channel carries its address after an @, which is kept in the words.
    """
    name, _, unit = channel.partition("@")
    label = _labels().get(name, name)
    return f"{label}, control unit {unit}" if unit else label


@cache
def _labels() -> dict[str, str]:
    source = files("sootsayer_config").joinpath("channels.toml")
    table = tomllib.loads(source.read_text(encoding="utf-8"))
    return {name: str(entry["label"]) for name, entry in table.items()}
