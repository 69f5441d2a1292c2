"""Reading many replies of one shape: what the first one taught is used again.

A recorder asks the same questions over and over, so nearly all replies have the same PIDs in the
same places. A ``Template`` checks those bytes at once and takes all values out at once; anything
that differs goes the careful way of ``j1979.decode_current``, and gives the same samples.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from operator import itemgetter
from struct import Struct
from typing import Any

from sootsayer.model import Sample, Scaling
from sootsayer.protocol.announced import ANNOUNCING, Limits
from sootsayer.protocol.j1979 import Place, Settled, places_in

_CODES = {(1, False): "B", (1, True): "b", (2, False): "H", (2, True): "h", (4, False): "I"}


@dataclass(frozen=True, slots=True)
class Template:
    """The shape of one reply, for payloads of the same length under the same limits."""

    limits: Limits
    pick: Callable[[bytes], Any]
    picked: Any  # PIDs and support bytes as they must be
    values: Struct
    channels: tuple[tuple[str, Scaling], ...]

    def samples(self, payload: bytes) -> tuple[Sample, ...] | None:
        """The samples of a payload of this shape, None if it has another."""
        if self.pick(payload) != self.picked:
            return None
        raws = self.values.unpack(payload)
        return tuple(
            [
                Sample(channel, raw, scaling)
                for (channel, scaling), raw in zip(self.channels, raws, strict=True)
            ]
        )


def template_of(payload: bytes, limits: Limits) -> Template | None:
    """The template of a reply, None where it announces something or has parts of bytes."""
    places, trouble = places_in(payload, limits)
    if trouble is not None or any(_announces(place) for place in places):
        return None
    parts = [(place, part) for place in places for part in place.parts(payload, limits)]
    layout = _layout(parts, len(payload))
    if layout is None:
        return None
    fixed = [place.start - 1 for place in places]
    fixed += [place.start for place in places if place.by_support]
    pick = itemgetter(0, *fixed)
    channels = tuple((part.channel, part.scaling) for _, part in parts)
    return Template(limits, pick, pick(payload), Struct(layout), channels)


def _announces(place: Place) -> bool:
    return place.layout.pid in ANNOUNCING or place.layout.other_size is not None


def _layout(parts: Sequence[tuple[Place, Settled]], size: int) -> str | None:
    """The format that takes all values out of ``size`` bytes."""
    at, layout = 0, ">"
    for place, part in parts:
        start, end = place.start + part.start, place.start + part.end
        code = _CODES.get((end - start, part.signed))
        plain = part.shift == 0 and part.mask == -1 and part.unused_raw is None
        if code is None or not plain or start < at:
            return None
        layout += "x" * (start - at) + code
        at = end
    return layout + "x" * (size - at)
