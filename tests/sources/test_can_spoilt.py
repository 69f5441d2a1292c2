"""One, two and four control units over a bus that loses, delays, doubles, swaps and garbles.

Every figure of the car tells when it was true (``told_time``), so a figure that belongs to
another moment or another parameter shows.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest

from can_rig import BYTES, WORDS, Run, Spoil, SpoiltBus, TellingCar, held, run_on, settings, virtual
from sootsayer.clock import LogClock
from sootsayer.demo.bus import BusCar
from sootsayer.demo.control_unit import CALIBRATION, VIN
from sootsayer.demo.monitor import Memory
from sootsayer.model import CodeSeen, CodesRead, Identity, Reading
from sootsayer.protocol.decode import ReplyDecoder

# An answer is stamped halfway between question and first frame and nobody waits longer than
# late_s, so a figure is at most half of that away from its stamp; 50 ms for rounding and a reply
# that was under way when patience ended.
LATE_S = 0.5
WITHIN_MS = int(LATE_S * 1000 / 2) + 50


def steady_figures(car: TellingCar) -> dict[tuple[str, str], int]:
    """Unit and channel → raw figure, of what does not tell the time, asked without any bus."""
    pids = [pid for pid in range(1, 0x70) if pid % 0x20]
    requests = [bytes((0x01, pid)) for pid in pids]
    requests += [b"\x09\x08", b"\x09\x0b", *(bytes((6, mid)) for mid in range(0x31, 0x35))]
    found: dict[tuple[str, str], int] = {}
    decoder = ReplyDecoder()
    for unit in car.units:
        for request in requests:
            payload = unit.answer(request, car.moment())
            name = f"{unit.address:X}"
            for event in decoder.feed(0, name, payload) if payload else ():
                if isinstance(event, Reading):
                    found |= {(name, s.channel.partition("@")[0]): s.raw for s in event.samples}
    return found


def wrong_figures(readings: list[Reading], car: TellingCar) -> list[tuple[int, str, int]]:
    steady = steady_figures(car)
    wrong = []
    for reading in readings:
        for sample in reading.samples:
            name = sample.channel.partition("@")[0]
            if name in WORDS or name in BYTES:
                right = held(name, sample.raw, reading.t_ms, WITHIN_MS)
            else:
                right = steady.get((reading.unit, name)) == sample.raw
            if not right:
                wrong.append((reading.t_ms, sample.channel, sample.raw))
    return wrong


def wrong_words(run: Run) -> list[object]:
    """Codes, counts and identities that the car never said."""
    wrong: list[object] = []
    wrong += [e for e in run.events if isinstance(e, CodeSeen) and e.code != "P0401"]
    wrong += [e for e in run.events if isinstance(e, CodesRead) and e.count > 1]
    told = {"vin": {VIN}, "calibration": {CALIBRATION, "DEMO-4AT-03"}}
    said = [e for e in run.events if isinstance(e, Identity) and e.key in told]
    return wrong + [e for e in said if e.value not in told[e.key]]


def drive(
    channel: str, units: int, spoil: Spoil, seed: int, readings: int
) -> tuple[Run, SpoiltBus, TellingCar]:
    buses: list[SpoiltBus] = []

    def spoilt(bus: object) -> SpoiltBus:
        buses.append(SpoiltBus(bus, spoil, seed))  # type: ignore[arg-type]
        return buses[-1]

    car_bus = virtual(channel)
    car = TellingCar(units, Memory().failed("P0401"))
    with (
        BusCar(car, LogClock(0), car_bus),
        run_on(channel, spoilt, settings=settings(late_s=LATE_S)) as run,
    ):
        run.wait_readings(readings)
    car_bus.shutdown()
    return run, buses[-1], car


ALL = Spoil(0.04, 0.04, 0.04, 0.04, 0.04)
# name: control units, how the bus is spoilt, counters of which one at least must tell of it
SPOILT = {
    "lost": (1, Spoil(lost=0.2), {"reply missed"}),
    "late": (2, Spoil(late=0.2), set[str]()),
    "doubled": (2, Spoil(doubled=0.2), {"wrong frame order", "frame nobody waited for"}),
    "swapped": (2, Spoil(swapped=0.2), {"wrong frame order", "frame without a beginning"}),
    "garbled": (1, Spoil(garbled=0.2), {"wrong length in a frame", "reply missed"}),
    "all, four units": (4, ALL, {"reply missed"}),
    "all, one unit": (1, ALL, {"reply missed"}),
}
AT_ONCE = 5  # drives side by side: they mostly wait
Driven = dict[str, tuple[Run, SpoiltBus, TellingCar]]


@pytest.fixture(scope="module")
def driven() -> Driven:
    with ThreadPoolExecutor(AT_ONCE) as pool:
        started = {
            name: pool.submit(drive, f"spoilt {name}", units, spoil, 7, 5 * units + 2)
            for name, (units, spoil, _) in SPOILT.items()
        }
        clean = {
            f"clean {units}": pool.submit(drive, f"clean {units}", units, Spoil(), 1, 12 * units)
            for units in (1, 2, 4)
        }
        return {name: future.result() for name, future in (started | clean).items()}


@pytest.mark.parametrize("units", [1, 2, 4])
def test_a_clean_bus_gives_every_unit_and_no_wrong_figure(units: int, driven: Driven) -> None:
    run, _, car = driven[f"clean {units}"]
    assert {reading.unit for reading in run.readings()} == {f"7E{8 + n:X}" for n in range(units)}
    assert wrong_figures(run.readings(), car) == [] and wrong_words(run) == []
    together = [{s.channel for s in r.samples} for r in run.readings() if r.unit == "7E8"]
    row = {"egr_pct", "egr_err", "rpm", "map", "maf", "tp"}
    assert sum(row <= channels for channels in together) >= 3, "what is compared comes together"


@pytest.mark.parametrize("name", SPOILT)
def test_a_spoilt_bus_gives_right_figures_or_none(name: str, driven: Driven) -> None:
    run, bus, car = driven[name]
    assert sum(bus.spoilt.values()) >= 8, "the bus was not spoilt enough to prove anything"
    assert wrong_figures(run.readings(), car) == [] and wrong_words(run) == []
    counted = SPOILT[name][2]
    assert not counted or any(run.counters().get(word) for word in counted), run.counters()


def test_the_check_itself_finds_a_figure_of_another_moment(driven: Driven) -> None:
    run, _, car = driven["clean 1"]
    late = [Reading(r.t_ms + 4_000, r.unit, r.samples) for r in run.readings()]
    assert len(wrong_figures(late, car)) > len(late) // 2
