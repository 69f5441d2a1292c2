"""Drives of the invented car as recordings: batches, or the text of a CAN capture."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from sootsayer.demo.build import Make, individual
from sootsayer.demo.cars import CHANNELS, CarSpec
from sootsayer.demo.control_unit import (
    CALIBRATION,
    ENGINE,
    KPA_THOUSANDTHS,
    PERCENT_HUNDREDTHS,
    RECIRCULATION_MONITOR,
    VIN,
    monitor_results,
)
from sootsayer.demo.drive import commute, errand
from sootsayer.demo.encoding import SAME_COUNTS, channels_of, supported_pids
from sootsayer.demo.faults import Fault
from sootsayer.demo.journeys import (
    KEPT_MS,
    Driven,
    Journey,
    Stored,
    drive,
    remembered,
    status_columns,
)
from sootsayer.demo.monitor import Memory
from sootsayer.demo.warmth import Weather
from sootsayer.demo.wire import CODES_EVERY_MS, REQUESTS, Wire
from sootsayer.model import (
    Batch,
    CodeSeen,
    CodesRead,
    CodeStatus,
    Identity,
    IntArray,
    Scaling,
    Series,
    SourceState,
    SourceStatus,
)
from sootsayer.protocol.j1979 import scaling_of

SOURCE = "demo"
UNIT = f"{ENGINE:X}"
MINUTE_MS = 60_000
DAY_MS = 86_400_000
EPOCH_MS = 1_764_000_000_000  # 24 November 2025, where captures begin unless told otherwise

_CHANNELS_OF_PID = {
    0x2C: ("egr_pct",), 0x2D: ("egr_err",), 0x0C: ("rpm",), 0x0B: ("map",), 0x10: ("maf",),
    0x11: ("tp",), 0x0D: ("vss",), 0x0E: ("sparkadv",), 0x06: ("shrtft1",), 0x04: ("load_pct",),
    0x07: ("longft1",), 0x05: ("ect",), 0x0F: ("iat",), 0x03: ("fuelsys1", "fuelsys2"),
    0x65: ("n_d_stat",), 0x45: ("tp_r",), 0x4C: ("tac_pct",), 0x42: ("vpwr",), 0x1F: ("runtm",),
    0x33: ("baro",), 0x46: ("aat",), 0x01: ("monitor_status",), 0x41: ("monitor_cycle",),
    0x1C: ("obdsup",), 0x51: ("fuel_typ",), 0x21: ("mil_dist",), 0x2F: ("fli",),
    0x69: ("egr_a_cmd", "egr_a_act", "egr_a_err"), 0x6B: ("egrt11",), 0x49: ("app_d",),
    0x30: ("warm_ups",), 0x31: ("clr_dist",), 0x4D: ("mil_time",), 0x4E: ("clr_time",),
}  # fmt: skip

WIDE_CELSIUS = Scaling("degc4-40", 4.0, -40.0, "°C")
COUNT = Scaling("count1", 1.0, 0.0, "")
_KINDS = {
    KPA_THOUSANDTHS: Scaling("uasFD", 0.001, 0.0, "kPa"),
    PERCENT_HUNDREDTHS: Scaling("uas2F", 0.01, 0.0, "%"),
}


# ---------------------------------------------------------------- trips to drive


def journeys(
    trips: int = 4,
    seed: int = 1,
    faults: Sequence[Fault] = (),
    make: Make | None = None,
    start_ms: int = EPOCH_MS,
    minutes: float = 25.0,
) -> list[Journey]:
    """Some days of commuting, two trips a day, of one car; each morning starts cold."""
    car = individual(make or Make(), seed)
    draw = np.random.default_rng([seed, 0xDA1])
    planned = []
    for number in range(trips):
        day, homeward = divmod(number, 2)
        at_ms = start_ms + day * DAY_MS + homeward * 9 * 3_600_000 + int(draw.integers(0, 900_000))
        outside_c = float(draw.uniform(4, 12) + 8 * homeward)
        weather = Weather(outside_c, float(draw.uniform(97.5, 101.0)))
        spec = CarSpec(
            car, seed * 1000 + number, tuple(faults), weather, at_ms, trims=car.settled_trims
        )
        planned.append(Journey(spec, commute(seed * 1000 + number, minutes, bool(homeward))))
    return planned


def errands(
    trips: int, seed: int, faults: Sequence[Fault] = (), minutes: float = 14.0
) -> list[Journey]:
    """Short trips in town, one a day."""
    car = individual(Make(), seed)
    return [
        Journey(
            CarSpec(
                car, seed * 1000 + number, tuple(faults), Weather(), EPOCH_MS + number * DAY_MS
            ),
            errand(seed * 1000 + number, minutes),
        )
        for number in range(trips)
    ]


# ---------------------------------------------------------------- batches


def recorded(
    planned: Sequence[Journey],
    poll_s: float = 0.2,
    memory: Memory | None = None,
    batch_ms: int = MINUTE_MS,
) -> list[Batch]:
    """Drive the trips of one car (in time order) and give them as batches."""
    return batches(drive(planned), poll_s, memory, batch_ms)


def batches(
    trips: Sequence[Driven],
    poll_s: float = 0.2,
    memory: Memory | None = None,
    batch_ms: int = MINUTE_MS,
) -> list[Batch]:
    """Batches of ``batch_ms`` in time order, with what was said of codes and identity."""
    made: list[Batch] = []
    for trip, stored in zip(trips, remembered(trips, memory), strict=True):
        made.extend(_cut(_series(trip, stored, poll_s), _events(trip, stored), trip, batch_ms))
    return made


def _series(trip: Driven, stored: Sequence[Stored], poll_s: float) -> list[Series]:
    columns = dict(zip(CHANNELS, trip.raw, strict=True)) | status_columns(trip, stored)
    supported = channels_of(trip.make)
    made = []
    draw = np.random.default_rng(trip.start_ms % 2**32)
    for turn, (pids, every_s) in enumerate(REQUESTS):
        t_ms = _stamps(trip, max(every_s, poll_s), turn, draw)
        at = (t_ms - trip.start_ms) // KEPT_MS
        for channel in (name for pid in pids for name in _CHANNELS_OF_PID[pid]):
            if channel in supported:
                column = columns[SAME_COUNTS.get(channel, channel)]
                made.append(Series(channel, scaling_told(channel), t_ms, column[at]))
    return made + _seldom(trip, stored)


def _seldom(trip: Driven, stored: Sequence[Stored]) -> list[Series]:
    """The recirculation monitor's results and in-use counters, read with the codes."""
    points: dict[tuple[str, Scaling], list[tuple[int, int]]] = {}
    for t_ms, memory in _looks(trip, stored):
        ledger = memory.ledger
        for name, count in (("egrcomp", ledger.flow_tests), ("egrcond", ledger.conditions)):
            points.setdefault((name, COUNT), []).append((t_ms + 40, count))
        for test, kind, words in monitor_results(memory.results):
            if any(words):
                for end, word in zip(("", "_min", "_max"), words, strict=True):
                    key = (f"mid{RECIRCULATION_MONITOR:02x}_tid{test:02x}{end}", _KINDS[kind])
                    points.setdefault(key, []).append((t_ms + 20, word))
    return [
        Series(channel, scaling, *np.array(found, dtype=np.int64).T)
        for (channel, scaling), found in points.items()
    ]


def _looks(trip: Driven, stored: Sequence[Stored]) -> Iterator[tuple[int, Memory]]:
    """When codes are read, and what is in memory then."""
    times = [step.t_ms for step in stored]
    for t_ms in range(trip.start_ms + 500, trip.key_off_ms - 1000, CODES_EVERY_MS):
        yield t_ms, stored[max(bisect_right(times, t_ms) - 1, 0)].memory


def scaling_told(channel: str) -> Scaling:
    """What one count of a channel is as this car tells it."""
    return WIDE_CELSIUS if channel == "egrt11" else scaling_of(channel)


def _stamps(trip: Driven, every_s: float, turn: int, draw: np.random.Generator) -> IntArray:
    """When the replies to one request came: evenly asked, unevenly answered."""
    asked = np.arange(
        trip.start_ms + 150 + 12 * turn, trip.key_off_ms - 50, every_s * 1000.0
    ).astype(np.int64)
    late = np.minimum(draw.gamma(2.0, 4.0, len(asked)), 45.0).astype(np.int64)
    t_ms: IntArray = asked + late
    on = trip.key_on[(t_ms - trip.start_ms) // KEPT_MS]
    return t_ms[on]


Event = CodeSeen | CodesRead | Identity | SourceStatus


def _events(trip: Driven, stored: Sequence[Stored]) -> list[Event]:
    start_ms, end_ms = trip.start_ms + 100, trip.key_off_ms
    supported = " ".join(f"{pid:02X}" for pid in sorted(supported_pids(trip.make)))
    events: list[Event] = [
        SourceStatus(start_ms, SOURCE, SourceState.READING, "the car answers"),
        Identity(start_ms, UNIT, "supported", supported),
        Identity(start_ms, UNIT, "vin", VIN),
        Identity(start_ms, UNIT, "calibration", CALIBRATION),
    ]
    for t_ms, memory in _looks(trip, stored):
        for status in CodeStatus:
            codes = memory.codes(status)
            events += [CodeSeen(t_ms, UNIT, code, status) for code in codes]
            events.append(CodesRead(t_ms, UNIT, status, len(codes)))
        if memory.frame is not None:
            events.append(Identity(t_ms, UNIT, "freeze code", memory.frame.code))
    events.append(SourceStatus(end_ms, SOURCE, SourceState.KEY_OFF, "the key was turned off"))
    return events


def _cut(
    series: Sequence[Series], events: Sequence[Event], trip: Driven, batch_ms: int
) -> Iterator[Batch]:
    first, last = trip.start_ms, trip.key_off_ms
    bounds = np.append(np.arange(first + batch_ms, last, batch_ms), last)
    edges = [np.searchsorted(s.t_ms, bounds, side="right") for s in series]
    done = 0
    before = [0] * len(series)
    for number, upto_ms in enumerate(bounds.tolist()):
        parts = []
        for place, whole in enumerate(series):
            a, b = before[place], int(edges[place][number])
            before[place] = b
            if b > a:
                parts.append(Series(whole.channel, whole.scaling, whole.t_ms[a:b], whole.raw[a:b]))
        upto = done
        while upto < len(events) and events[upto].t_ms <= upto_ms:
            upto += 1
        yield Batch(int(upto_ms), tuple(parts), tuple(events[done:upto]))
        done = upto


# ---------------------------------------------------------------- CAN captures


def candump_lines(
    planned: Sequence[Journey], poll_s: float = 0.2, foreign: bool = True
) -> Iterator[str]:
    """The trips as lines of a candump log: requests, replies of both units, flow control."""
    trips = drive(planned)
    for trip, stored in zip(trips, remembered(trips), strict=True):
        yield from Wire(trip, stored, poll_s, foreign).lines()


def write_candump(
    path: Path,
    faults: Sequence[Fault] = (),
    trips: int = 4,
    seed: int = 1,
    poll_s: float = 0.2,
    make: Make | None = None,
    minutes: float = 25.0,
) -> Path:
    """Write a capture of some commuting with these faults; gives the path back."""
    lines = candump_lines(journeys(trips, seed, faults, make, minutes=minutes), poll_s)
    with path.open("w", encoding="ascii") as out:
        out.writelines(f"{line}\n" for line in lines)
    return path
