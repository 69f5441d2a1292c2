"""J1979 service 01: requests, and the reading of replies. Pure; never raises on what a car says.

Source of every layout and factor: SAE J1979 service 01 as in the table of ``pids``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from types import MappingProxyType

from sootsayer.model import Sample, Scaling
from sootsayer.protocol.announced import FRESH, Limits, UnitState, rescaled, told
from sootsayer.protocol.pids import (
    DEFAULT_SCALINGS,
    FOUR_BANKS,
    LAYOUTS,
    SUPPORT_PIDS,
    TWO_BANKS,
    Layout,
    Part,
)
from sootsayer.protocol.scalings import COUNT, VOLT_TENTH
from sootsayer.protocol.vehicle_words import COUNTERS

CURRENT = 0x01
REPLY = 0x40  # a reply's service number is the request's plus this
MAX_PIDS = 6  # what fits a single CAN frame
MAX_SEARCH_BYTES = 128  # above any reply to six PIDs; bounds the search for an exact split


class Trouble(StrEnum):
    """What was wrong with a reply. Counted, never raised."""

    EMPTY = "empty reply"
    UNKNOWN_SERVICE = "unknown service"
    UNKNOWN_PID = "unknown parameter"
    TRUNCATED = "truncated reply"


@dataclass(frozen=True, slots=True)
class Decoded:
    samples: tuple[Sample, ...]
    state: UnitState
    troubles: tuple[Trouble, ...] = ()


def request_current(pids: Sequence[int]) -> bytes:
    """A request for one to six PIDs. More than one is for CAN only.

    Raises ValueError for none or too many: that is our mistake, not the car's.
    """
    if not 1 <= len(pids) <= MAX_PIDS:
        raise ValueError(f"{len(pids)} PIDs in one request, must be 1 to {MAX_PIDS}")
    return bytes((CURRENT, *pids))


# Channels that do not come from service 01: in-use counters and the adapter's own reading.
_FURTHER_SCALINGS: Mapping[str, Scaling] = MappingProxyType(
    {name: COUNT for names in COUNTERS.values() for name in names} | {"adapter_voltage": VOLT_TENTH}
)


def scaling_of(channel: str) -> Scaling:
    """The scaling of a channel unless its control unit announced another.

    A suffix ``@7E9`` of a second control unit is ignored. KeyError for an unknown channel.
    """
    name = channel.partition("@")[0]
    return DEFAULT_SCALINGS.get(name) or _FURTHER_SCALINGS[name]


# ---------------------------------------------------------------- parts of one PID


@dataclass(frozen=True, slots=True)
class Settled:
    """A part whose name and scaling are settled for one control unit."""

    channel: str
    start: int
    end: int
    scaling: Scaling
    signed: bool
    shift: int
    mask: int
    unused_raw: int | None

    def read(self, body: bytes) -> Sample | None:
        raw = int.from_bytes(body[self.start : self.end], "big", signed=self.signed)
        if raw == self.unused_raw:
            return None
        return Sample(self.channel, (raw >> self.shift) & self.mask, self.scaling)


def _exists(part: Part, size: int, support: int) -> bool:
    if part.start + part.size > size:
        return False
    if part.needs_bit is not None and not support >> part.needs_bit & 1:
        return False
    return part.unless_bit is None or not support >> part.unless_bit & 1


def _settle(part: Part, limits: Limits) -> Settled:
    places = FOUR_BANKS if limits.four_banks else TWO_BANKS
    return Settled(
        part.channel if part.sensor is None else part.channel.format(places[part.sensor]),
        part.start,
        part.start + part.size,
        rescaled(part.scaling, part.limit, limits),
        part.signed,
        part.shift,
        -1 if part.mask is None else part.mask,
        part.unused_raw,
    )


@lru_cache(maxsize=4096)
def _settled(pid: int, size: int, support: int, limits: Limits) -> tuple[Settled, ...]:
    parts = LAYOUTS[pid].parts
    return tuple(_settle(part, limits) for part in parts if _exists(part, size, support))


@lru_cache(maxsize=4096)
def _settled_for_all(pid: int, size: int, support: int) -> tuple[Settled, ...]:
    return _settled(pid, size, support, FRESH.limits)


def _where(test: str) -> frozenset[int]:
    return frozenset(
        pid
        for pid, layout in LAYOUTS.items()
        if any(getattr(part, test) is not None for part in layout.parts)
    )


_BY_LIMITS = _where("limit") | _where("sensor")
_BY_SUPPORT = _where("needs_bit")


# ---------------------------------------------------------------- where each PID lies


@dataclass(frozen=True, slots=True)
class Place:
    """The bytes of one PID within a reply."""

    layout: Layout
    start: int  # first byte after the PID
    end: int

    @property
    def by_support(self) -> bool:
        """Whether the first byte says which channels exist."""
        return self.layout.pid in _BY_SUPPORT

    def parts(self, payload: bytes, limits: Limits) -> tuple[Settled, ...]:
        pid, size = self.layout.pid, self.end - self.start
        support = payload[self.start] if pid in _BY_SUPPORT else 0
        if pid in _BY_LIMITS:
            return _settled(pid, size, support, limits)
        return _settled_for_all(pid, size, support)

    def samples(self, payload: bytes, limits: Limits) -> list[Sample]:
        body = payload[self.start : self.end]
        read = (part.read(body) for part in self.parts(payload, limits))
        return [sample for sample in read if sample is not None]


def _walk(payload: bytes, limits: Limits) -> tuple[list[Place], Trouble | None]:
    """The places of all PIDs, taking every PID's likeliest length."""
    places: list[Place] = []
    at, end = 1, len(payload)
    while at < end:
        layout = LAYOUTS.get(payload[at])
        if layout is None:
            return places, Trouble.UNKNOWN_PID
        start = at + 1
        at = start + (2 if layout.other_size == 2 and limits.long_trims else layout.size)
        if at > end:
            return places, Trouble.TRUNCATED
        places.append(Place(layout, start, at))
    return places, None


def _exact(payload: bytes) -> list[Place] | None:
    """The split that uses the payload up exactly, trying both lengths where a PID has two.

    Worked out from the end. A support bitmap stands only among support bitmaps, which keeps
    false splits out.
    """
    end = len(payload)
    bitmaps = payload[1] in SUPPORT_PIDS
    follow: dict[int, Place] = {}
    for at in range(end - 1, 0, -1):
        layout = LAYOUTS.get(payload[at])
        if layout is None or (layout.pid in SUPPORT_PIDS) != bitmaps:
            continue
        for size in (layout.size, layout.other_size or layout.size):
            after = at + 1 + size
            if after == end or after in follow:
                follow[at] = Place(layout, at + 1, after)
                break
    places: list[Place] = []
    at = 1
    while at in follow:
        places.append(follow[at])
        at = follow[at].end
    return places or None


def _grown(payload: bytes) -> list[Place] | None:
    """A reply to one PID that later editions made longer: all of it belongs to that PID."""
    layout = LAYOUTS.get(payload[1])
    if layout is not None and layout.may_grow and len(payload) > 2 + layout.size:
        return [Place(layout, 2, len(payload))]
    return None


def places_in(payload: bytes, limits: Limits) -> tuple[list[Place], Trouble | None]:
    """Where each PID's bytes lie in a reply of at least two bytes, and what was wrong with it."""
    places, trouble = _walk(payload, limits)
    if trouble is None or len(payload) > MAX_SEARCH_BYTES:
        return places, trouble
    better = _exact(payload) or _grown(payload)
    return (better, None) if better is not None else (places, trouble)


# ---------------------------------------------------------------- replies


def decode_current(payload: bytes, state: UnitState = FRESH) -> Decoded:
    """Read one whole reply ``41 PID bytes [PID bytes …]`` of one control unit.

    Gives the samples in the order of the bytes, the unit's state with what this reply announced
    (in force from the next reply on), and what was wrong. A PID that is not in the table ends
    the reading, what stood before it is kept.
    """
    if len(payload) < 2:
        return Decoded((), state, (Trouble.EMPTY,))
    if payload[0] != CURRENT + REPLY:
        return Decoded((), state, (Trouble.UNKNOWN_SERVICE,))
    places, trouble = places_in(payload, state.limits)
    samples: list[Sample] = []
    for place in places:
        samples += place.samples(payload, state.limits)
    for place in places:
        state = told(place.layout, payload[place.start : place.end], state)
    return Decoded(tuple(samples), state, () if trouble is None else (trouble,))


def pids_in(payload: bytes, limits: Limits = FRESH.limits) -> tuple[int, ...]:
    """The PIDs a reply answers, to be held against those that were asked for."""
    if len(payload) < 2 or payload[0] != CURRENT + REPLY:
        return ()
    return tuple(place.layout.pid for place in places_in(payload, limits)[0])
