"""What control units said of themselves: codes trip by trip, results of their monitors with
margins, readiness, freeze frame, and whether codes were cleared in between.

Pure: events and series go in, as a source gives them or an archive keeps them.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from sootsayer.model import (
    CodeSeen,
    CodesRead,
    CodeStatus,
    Identity,
    Link,
    Series,
    Trip,
)
from sootsayer.protocol.codes import link_of, name_of
from sootsayer.protocol.monitor_tests import EGR_MONITORS, margin_pct, unlimited
from sootsayer.protocol.readiness import Monitors, monitors

# Counters that only a clearing of codes makes smaller (SAE J1979 PIDs 30, 31 and 4E).
SINCE_CLEARED = {
    "warm_ups": "warm-ups since codes were cleared",
    "clr_dist": "distance since codes were cleared",
    "clr_time": "engine time since codes were cleared",
}
MONITORS_RESET = "monitors that were complete are not any more"
SAME_CLEARING_MS = 900_000  # the counters are read within a quarter of an hour of each other
FREEZE = "freeze "  # how identities of a freeze frame begin
FREEZE_CODE = "freeze code"
_RESULT = re.compile(r"mid([0-9a-f]{2})_tid([0-9a-f]{2})(_min|_max)?(?:@(.+))?")

# ---------------------------------------------------------------- codes, trip by trip


@dataclass(frozen=True, slots=True)
class CodeSight:
    """One code of one control unit within one trip. ``seen``: looks that found it, by kind."""

    unit: str
    code: str
    name: str  # "" for a code that is not one of recirculation's
    link: Link | None
    seen: Mapping[CodeStatus, int]
    first_ms: int
    last_ms: int


@dataclass(frozen=True, slots=True)
class TripCodes:
    """One trip. ``looks``: completed looks by kind, so that none seen has a number beside it.

    ``trip`` is None for what was seen outside any trip, such as with the engine off.
    """

    trip: int | None
    looks: Mapping[CodeStatus, int]
    codes: tuple[CodeSight, ...]


def codes_by_trip(
    trips: Sequence[Trip], seen: Iterable[CodeSeen], read: Iterable[CodesRead]
) -> tuple[TripCodes, ...]:
    """Sightings trip by trip, in order; what lay outside any trip comes first, if anything did.

    A look just after a trip's end belongs to it: the last look before key-off is made then.
    """
    sights: defaultdict[int | None, list[CodeSeen]] = defaultdict(list)
    looks: defaultdict[int | None, Counter[CodeStatus]] = defaultdict(Counter)
    for event in seen:
        sights[_trip_at(trips, event.t_ms)].append(event)
    for look in read:
        looks[_trip_at(trips, look.t_ms)][look.status] += 1
    numbers: list[int | None] = [trip.number for trip in trips]
    if sights[None] or looks[None]:
        numbers.insert(0, None)
    return tuple(
        TripCodes(number, dict(looks[number]), _sights(sights[number])) for number in numbers
    )


LAST_LOOK_MS = 60_000  # after the engine stopped


def _trip_at(trips: Sequence[Trip], t_ms: int) -> int | None:
    for trip in trips:
        if trip.start_ms <= t_ms <= trip.end_ms + LAST_LOOK_MS:
            return trip.number
    return None


def _sights(events: Iterable[CodeSeen]) -> tuple[CodeSight, ...]:
    grouped: defaultdict[tuple[str, str], list[CodeSeen]] = defaultdict(list)
    for event in events:
        grouped[event.unit, event.code].append(event)
    return tuple(
        CodeSight(
            unit,
            code,
            name_of(code),
            link_of(code),
            dict(Counter(event.status for event in found)),
            min(event.t_ms for event in found),
            max(event.t_ms for event in found),
        )
        for (unit, code), found in sorted(grouped.items())
    )


# ---------------------------------------------------------------- freeze frames


@dataclass(frozen=True, slots=True)
class FreezeFrame:
    """What was so when a control unit stored a code. ``values``: channel → value with unit."""

    unit: str
    code: str
    t_ms: int  # when it was read, not when it was stored
    values: dict[str, str]


def freeze_frames(identities: Iterable[Identity]) -> tuple[FreezeFrame, ...]:
    """The last freeze frame told of each code, by control unit and then as they were read.

    ``identities`` in the order in which they were told. A unit names the code first and then what
    was so; what it says after another code is another frame. What was told before any code is of
    the first.
    """
    frames: defaultdict[str, list[FreezeFrame]] = defaultdict(list)
    early: defaultdict[str, dict[str, str]] = defaultdict(dict)
    for said in identities:
        if said.key == FREEZE_CODE:
            values = early.pop(said.unit, {})
            frames[said.unit].append(FreezeFrame(said.unit, said.value, said.t_ms, values))
        elif said.key.startswith(FREEZE):
            told = frames[said.unit][-1].values if frames[said.unit] else early[said.unit]
            told[said.key.removeprefix(FREEZE)] = said.value
    return tuple(frame for unit in sorted(frames) for frame in _last_of_each_code(frames[unit]))


def _last_of_each_code(frames: Iterable[FreezeFrame]) -> Iterable[FreezeFrame]:
    """Of frames of one code the last of which more than the code was told."""
    last: dict[str, FreezeFrame] = {}
    for frame in frames:
        if frame.values or frame.code not in last:
            last.pop(frame.code, None)
            last[frame.code] = frame
    return last.values()


# ---------------------------------------------------------------- service 06


@dataclass(frozen=True, slots=True)
class MonitorResult:
    """One result of a monitor's own test. None for a limit that limits nothing.

    ``margin_pct``: distance to the nearest limit in % of the room between the limits, or of the
    limit where there is one; negative outside, None without any limit. ``control_unit`` is ""
    for the engine's.
    """

    control_unit: str
    monitor: int
    test: int
    t_ms: int
    value: float
    least: float | None
    greatest: float | None
    unit: str
    passed: bool
    margin_pct: float | None

    @property
    def recirculation(self) -> bool:
        return self.monitor in EGR_MONITORS


def monitor_results(series: Iterable[Series]) -> tuple[MonitorResult, ...]:
    """Every result in order of time; channels ``mid31_tid80`` with their ``_min`` and ``_max``."""
    found: defaultdict[tuple[str, int, int], dict[str, Series]] = defaultdict(dict)
    for one in series:
        match = _RESULT.fullmatch(one.channel)
        if match is not None:
            monitor, test, part, unit = match.groups()
            found[unit or "", int(monitor, 16), int(test, 16)][part or ""] = one
    results = [
        result
        for (unit, monitor, test), parts in found.items()
        if len(parts) == 3
        for result in _results(unit, monitor, test, parts)
    ]
    return tuple(sorted(results, key=lambda r: (r.t_ms, r.control_unit, r.monitor, r.test)))


def _results(
    unit: str, monitor: int, test: int, parts: Mapping[str, Series]
) -> Iterable[MonitorResult]:
    columns = {part: dict(zip(s.t_ms.tolist(), s.raw.tolist(), strict=True))
               for part, s in parts.items()}  # fmt: skip
    scaling = parts[""].scaling
    for t_ms, raw in columns[""].items():
        limits = [columns[part].get(t_ms) for part in ("_min", "_max")]
        if limits[0] is None or limits[1] is None:
            continue
        least, greatest = (
            None if limit is None else limit * scaling.scale + scaling.offset
            for limit in unlimited(scaling, limits[0], limits[1])
        )
        value = raw * scaling.scale + scaling.offset
        margin = margin_pct(value, least, greatest)
        yield MonitorResult(
            unit, monitor, test, t_ms, value, least, greatest, scaling.unit,
            margin is None or margin >= 0, margin,
        )  # fmt: skip


# ---------------------------------------------------------------- readiness, clearing


@dataclass(frozen=True, slots=True)
class Readiness:
    """What PIDs 01 and 41 said last. None: not told."""

    since_cleared: Monitors | None
    this_cycle: Monitors | None


def readiness(series: Iterable[Series]) -> Readiness:
    said: dict[str, tuple[int, Monitors]] = {}
    for one in series:
        if one.channel in ("monitor_status", "monitor_cycle") and len(one.t_ms):
            t_ms = int(one.t_ms[-1])
            if one.channel not in said or t_ms >= said[one.channel][0]:
                said[one.channel] = (t_ms, monitors(int(one.raw[-1])))
    status, cycle = said.get("monitor_status"), said.get("monitor_cycle")
    return Readiness(status and status[1], cycle and cycle[1])


@dataclass(frozen=True, slots=True)
class Cleared:
    """Codes were cleared between ``after_ms`` and ``t_ms``, by what gave it away."""

    after_ms: int
    t_ms: int
    signs: tuple[str, ...]


def clearings(series: Iterable[Series]) -> tuple[Cleared, ...]:
    """When codes were cleared: a counter fell, or monitors lost what they had completed.

    A control unit that lost its supply forgets in the same way.
    """
    falls = [fall for one in series for fall in _falls(one)]
    found: list[Cleared] = []
    for after_ms, t_ms, sign in sorted(falls):
        last = found[-1] if found else None
        if last is not None and t_ms - last.t_ms <= SAME_CLEARING_MS:
            signs = last.signs if sign in last.signs else (*last.signs, sign)
            found[-1] = Cleared(max(last.after_ms, after_ms), min(last.t_ms, t_ms), signs)
            if found[-1].after_ms > found[-1].t_ms:  # two looks that do not overlap
                found[-1] = Cleared(last.after_ms, t_ms, signs)
        else:
            found.append(Cleared(after_ms, t_ms, (sign,)))
    return tuple(found)


def _falls(series: Series) -> Iterable[tuple[int, int, str]]:
    channel = series.channel.partition("@")[0]
    stamped = list(zip(series.t_ms.tolist(), series.raw.tolist(), strict=True))
    for (before_ms, before), (t_ms, now) in pairwise(stamped):
        if channel in SINCE_CLEARED and now < before:
            unit = f" {series.scaling.unit}".rstrip()
            scale = series.scaling.scale
            words = f"{SINCE_CLEARED[channel]} fell from {before * scale:g} to {now * scale:g}"
            yield before_ms, t_ms, words + unit
        elif channel == "monitor_status" and _forgot(before, now):
            yield before_ms, t_ms, MONITORS_RESET


def _forgot(before: int, now: int) -> bool:
    """Whether a monitor that was complete is not, while the same ones are supported.

    Bytes C and D of PID 01: supported, and *not* complete since codes were cleared.
    """
    supported = before >> 8 & 0xFF
    return supported == now >> 8 & 0xFF and bool(supported & ~before & now & 0xFF)
