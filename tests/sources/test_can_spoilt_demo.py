"""The demo car over a bus that spoils nought, a tenth or a fifth of its replies.

Each reading is held against what the driven car was within the time that an answer may be away
from its stamp. ``test_can_spoilt`` does the same with a car whose every figure tells the time.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest

from can_driven import DrivenCar, Truth
from can_rig import Run, Spoil, SpoiltBus, run_on, settings, virtual
from sootsayer.clock import LogClock
from sootsayer.demo.bus import BusCar
from sootsayer.model import Reading

# An answer is stamped halfway between question and first frame, nobody waits longer than late_s,
# and the car keeps its figures for a fifth of a second.
LATE_S = 0.4
WITHIN_MS = int(LATE_S * 1000 / 2) + 250
AT_ONCE = 3
UNITS, SHARES = (1, 2, 4), (0.0, 0.1, 0.2)
KINDS = ("lost", "late", "doubled", "swapped", "garbled")
# What tells of spoilt replies, whichever way they were spoilt.
TELLING = (
    "reply missed", "reply too late", "frame nobody waited for", "doubled reply", "error frame",
    "wrong frame order", "frame without a beginning", "wrong length in a frame",
    "message interrupted by the next", "reply that does not fit the request",
    "frame too long after the one before", "reply nobody waited for",
)  # fmt: skip

Driven = dict[tuple[int, float], tuple[Run, SpoiltBus, Truth]]


def spoil(share: float) -> Spoil:
    """Every kind alike, ``share`` of the frames in all."""
    return Spoil(**dict.fromkeys(KINDS, share / len(KINDS)))


def drive(units: int, share: float) -> tuple[Run, SpoiltBus, Truth]:
    channel = f"demo car {units} {share}"
    buses: list[SpoiltBus] = []

    def spoilt(bus: object) -> SpoiltBus:
        buses.append(SpoiltBus(bus, spoil(share), seed=units))  # type: ignore[arg-type]
        return buses[-1]

    clock, car_bus = LogClock(0), virtual(channel)
    base_ms = clock.now_ms()
    with (
        BusCar(DrivenCar(units, base_ms), clock, car_bus),
        run_on(channel, spoilt, settings=settings(late_s=LATE_S)) as run,
    ):
        run.wait_readings(12 + 6 * units)
    car_bus.shutdown()
    return run, buses[-1], Truth(base_ms)


@pytest.fixture(scope="module")
def drives() -> Driven:
    with ThreadPoolExecutor(AT_ONCE) as pool:
        wanted = [(units, share) for share in reversed(SHARES) for units in reversed(UNITS)]
        return dict(zip(wanted, pool.map(lambda one: drive(*one), wanted), strict=True))


@pytest.mark.parametrize("share", SHARES)
@pytest.mark.parametrize("units", UNITS)
def test_values_are_right_or_absent_and_counters_tell(
    units: int, share: float, drives: Driven
) -> None:
    run, bus, truth = drives[units, share]
    checked, wrong = truth.wrong(run.events, WITHIN_MS)
    assert wrong == [] and checked >= 40
    told = sum(run.counters().get(name, 0) for name in TELLING)
    if share:
        assert sum(bus.spoilt.values()) >= 5 and told >= 1, (bus.spoilt, run.counters())
    else:
        named = {f"7E{8 + n:X}" for n in range(units)}
        assert {reading.unit for reading in run.readings()} == named
        assert run.counters().get("wrong frame order", 0) == 0


def test_the_check_itself_finds_figures_of_another_moment(drives: Driven) -> None:
    run, _, truth = drives[2, 0.0]
    late = [Reading(r.t_ms + 4_000, r.unit, r.samples) for r in run.readings()]
    moving = ("rpm", "map", "maf", "tp", "load_pct")
    only = [
        Reading(r.t_ms, r.unit, tuple(s for s in r.samples if s.channel in moving)) for r in late
    ]
    checked, wrong = truth.wrong(only, WITHIN_MS)
    assert len(wrong) > checked / 3
