"""Seven days with the whole recorder and the wire tapped below everything: adapter and CAN.

What went out is compared with the lists below, item by item: a request that is new, or that is no
longer sent, fails here and needs a line with a reason.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

import can
import pytest

from sootsayer.demo.adapter import EmulatedAdapter
from sootsayer.demo.bus import BusCar
from sootsayer.demo.journeys import Driven
from sootsayer.model import SourceState
from sootsayer.service import Plan, Recorder
from sootsayer.settings import CanChoice, shipped_settings
from sootsayer.sources.can_settings import can_settings
from sootsayer.sources.can_source import CanSource
from sootsayer.sources.serial_adapter import SerialSource
from sootsayer.store.reader import ArchiveReader
from sootsayer.vehicle import Vehicle
from sootsayer.watching import watch_plan
from week_rig import DAYS, HOUR_MS, WEEK_MS, Told, Week, WeekClock, trips

CAR = Vehicle(name="blue estate car", displacement_l=2.4, cylinders=4, fuel="petrol")
PATIENCE_S = 150.0
ADAPTER_RATE, CAN_RATE = 150.0, 100.0
# Waits for replies run on real time; the clock is a hundred times as fast.
SHORT = dataclasses.replace(can_settings(), reply_s=0.05, late_s=0.1)

# ---------------------------------------------------------------- what goes out in a week

SETTINGS = {
    "": "stops an adapter that may be busy", "ATZ": "a known beginning",
    "ATE0": "no echo", "ATL0": "no line feeds", "ATS0": "no blanks: fewer bytes",
    "ATH1": "headers, to tell control units apart", "ATAT1": "usual adaptive timing",
    "ATCAF1": "the adapter makes and reads lengths", "ATCFC1": "and does the flow control",
    "ATSW00": "no keep-alive: control units may sleep",
    "ATSP0": "search for the link", "ATDPN": "which link was found", "ATI": "which adapter",
    "ATRV": "voltage", "ATIGN": "ignition line",
    "ATPC": "closes the link at key-off",
}  # fmt: skip

# SAE J1979 service 01: every parameter that this car announces and a channel or the reading of
# another needs, and nothing else
CURRENT = {
    "0100": "what there is of 01 to 20", "0120": "of 21 to 40", "0140": "of 41 to 60",
    "0160": "of 61 to 80",
    "0101": "readiness, lamp", "0141": "readiness this cycle",
    "0103": "fuel loop", "0104": "load", "0105": "coolant", "0106": "short trim",
    "0107": "long trim", "010B": "manifold pressure", "010C": "engine speed",
    "010D": "road speed", "010E": "spark", "010F": "intake temperature", "0110": "air mass",
    "0111": "throttle", "011C": "which standard", "011F": "time since start",
    "0121": "distance with lamp", "012C": "command", "012D": "error",
    "012F": "fuel level", "0130": "warm-ups",
    "0131": "distance since cleared", "0133": "barometer", "0142": "voltage",
    "0145": "relative throttle", "0146": "outside temperature", "014C": "commanded throttle",
    "014D": "time with lamp", "014E": "time since cleared", "0151": "fuel", "0165": "gear input",
}  # fmt: skip

QUESTIONS = {
    "07": "pending codes", "03": "confirmed codes", "0A": "permanent codes",
    "0900": "which words there are", "0902": "VIN", "0904": "calibration", "0906": "its checksum",
    "090A": "name", "0908": "how often its monitors ran",
    "0202/00": "is there a freeze frame",
    "0620": "which monitors of 21 to 40", "0631": "result of recirculation's monitor",
}  # fmt: skip

FLOW_CONTROL = {"7E0 flow control": "go on, engine", "7E1 flow control": "go on, gearbox"}
# To find out whether anybody is there, in each way a car may be spoken to: until the first trip,
# seldom, because a bus that was never heard to talk can only be asked; and never afterwards.
SEARCH = {"18DB33F1 0100", "7DF 22F400", "18DB33F1 22F400"}
FOUND_OUT_S = 2.0  # how long a car that has just fallen silent may still be asked; real time
IN_VAIN = 12  # requests, at most, into that silence; how many depends on how fast they are

# ---------------------------------------------------------------- the two weeks


def items(request: str) -> set[str]:
    """The single things that one request asks for: "012C2D" are 012C and 012D."""
    service, rest = request[:2], request[2:]
    if service in ("01", "06", "09"):
        return {service + rest[at : at + 2] for at in range(0, len(rest) // 2 * 2, 2)}
    if service == "02":
        return {f"02{rest[at : at + 2]}/{rest[at + 2 : at + 4]}" for at in range(0, len(rest), 4)}
    return {request}


def plan_of(make: object, archive: Path, week: Week, name: str) -> Plan:
    plan = watch_plan(
        shipped_settings(), "none", archive, CAR, must_exist=False,
        can=CanChoice(name, "virtual", False), make_clock=lambda offset_ms: week.clock,
    )  # fmt: skip
    return dataclasses.replace(plan, sources={name: make}, control=None)


def lived(week: Week, plan: Plan) -> None:
    with ThreadPoolExecutor(1) as pool:
        recorder = Recorder(plan)
        running = pool.submit(recorder.run)
        try:
            assert week.over.wait(PATIENCE_S), week.statuses[-3:]
        finally:
            recorder.stop()
            running.result(30)


def by_adapter(driven: list[Driven], archive: Path) -> Week:
    week = begun(driven, ADAPTER_RATE)

    def tap(way: str, line: bytes) -> None:
        if way == "sent":
            week.tapped(line.decode("ascii").rstrip("\r"))

    with EmulatedAdapter(week.car(), week.clock, latency_s=0.001, reset_s=0.01) as adapter:
        make = lambda clock: Told(SerialSource(adapter.port, clock, tap=tap), week)  # noqa: E731
        lived(week, plan_of(make, archive, week, "adapter"))
        assert len(adapter.tap) <= len(week.sent) <= len(adapter.tap) + 1
    return week


def by_can(driven: list[Driven], archive: Path) -> Week:
    week = begun(driven, CAN_RATE)

    def tap(way: str, address: int, content: bytes) -> None:
        if way != "sent":
            return
        kind = content[0] >> 4
        said = content[1 : 1 + content[0]].hex().upper() if kind == 0 else "flow control"
        week.tapped(f"{address:X} {said if kind in (0, 3) else content.hex()}")

    with ExitStack() as things:
        bus = things.enter_context(can.Bus("a week", interface="virtual"))
        things.enter_context(BusCar(week.car(), week.clock, bus, talks=True))
        make = lambda clock: Told(  # noqa: E731
            CanSource("a week", "virtual", clock, SHORT, tap), week
        )
        lived(week, plan_of(make, archive, week, "can"))
    return week


def begun(driven: list[Driven], rate: float) -> Week:
    base_ms = 1_790_000_000_000  # some morning; only what comes after counts
    return Week(driven, WeekClock(base_ms, rate), base_ms)


@pytest.fixture(scope="module")
def weeks(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, tuple[Week, Path]]]:
    folder = tmp_path_factory.mktemp("weeks")
    driven = trips(4)
    with ThreadPoolExecutor(2) as pool:
        ways = {"adapter": by_adapter, "can": by_can}
        running = {
            name: pool.submit(way, driven, folder / name / "archive.db")
            for name, way in ways.items()
        }
        yield {
            name: (week.result(), folder / name / "archive.db") for name, week in running.items()
        }


BOTH = pytest.mark.parametrize("way", ["adapter", "can"])


# ---------------------------------------------------------------- the tap


def test_the_adapter_was_sent_these_and_nothing_else(
    weeks: dict[str, tuple[Week, Path]],
) -> None:
    week, _ = weeks["adapter"]
    lines = {text for _, text in week.sent}
    settings = {line for line in lines if line == "" or line.startswith("AT")}
    assert settings == SETTINGS.keys()
    asked = set().union(*(items(line) for line in lines - settings))
    assert asked == CURRENT.keys() | QUESTIONS.keys()


def test_the_bus_was_sent_these_and_nothing_else(weeks: dict[str, tuple[Week, Path]]) -> None:
    week, _ = weeks["can"]
    frames = {text for _, text in week.sent}
    others = {text for text in frames if not text.startswith("7DF 0")}
    assert others == SEARCH | FLOW_CONTROL.keys()
    asked = set().union(*(items(text.removeprefix("7DF ")) for text in frames - others))
    assert asked == CURRENT.keys() | QUESTIONS.keys()


@BOTH
def test_every_trip_was_recorded_and_every_night_rested(
    way: str, weeks: dict[str, tuple[Week, Path]]
) -> None:
    week, archive = weeks[way]
    off = [s for s in week.statuses if s.state is SourceState.KEY_OFF]
    read = [s for s in week.statuses if s.state is SourceState.READING]
    begun_ms = []
    for trip in week.driven:
        late_ms = [s.t_ms - week.base_ms - trip.start_ms for s in read]
        begun_ms += [min((ms for ms in late_ms if ms >= 0), default=WEEK_MS)]
        assert begun_ms[-1] < trip.key_off_ms - trip.start_ms, "a trip was slept through"
    # how soon depends on what else this machine does: the clock runs a hundred times as fast
    assert sorted(begun_ms)[len(begun_ms) // 2] <= 45_000, begun_ms
    assert len({s.t_ms // HOUR_MS for s in off}) >= len(week.driven)
    with ArchiveReader(archive) as reader:
        span = reader.span()
        assert span is not None and span[1] - span[0] > (DAYS - 2) * 24 * HOUR_MS
        rows = {row.name: row.samples for row in reader.channels()}
    assert rows["rpm"] > 20 * len(week.driven) and rows["egr_pct"] > 20 * len(week.driven)


@BOTH
def test_a_parked_car_was_asked_nothing(way: str, weeks: dict[str, tuple[Week, Path]]) -> None:
    week, _ = weeks[way]
    off = [(t_ms, text) for t_ms, text in week.sent if not week.key_on(t_ms)]
    quiet = {"ATRV", "ATIGN", "ATPC"}  # these end in the adapter
    before = week.driven[0].start_ms
    first = [text for t_ms, text in off if t_ms < before]
    later = [(t_ms, text) for t_ms, text in off if t_ms >= before and text not in quiet]
    search = {text for text in first if text != "" and not text.startswith("AT")}
    assert search <= {"0100", "7DF 0100", *SEARCH}, "to see whether anybody is there"
    found_out_ms = 1000 * FOUND_OUT_S * week.clock.awake_rate
    assert all(week.off_for_ms(t_ms) <= found_out_ms for t_ms, _ in later), later[:5]
    for trip in week.driven:
        in_vain = [text for t, text in later if 0 <= t - trip.key_off_ms <= found_out_ms]
        assert len(in_vain) <= IN_VAIN, in_vain


def test_looks_at_the_voltage_grow_seldom_and_end_in_the_adapter(
    weeks: dict[str, tuple[Week, Path]],
) -> None:
    """The night's looks: no closer than the longest pause once it is reached."""
    week, _ = weeks["adapter"]
    night = (week.driven[1].key_off_ms + 120_000, week.driven[2].start_ms - 60_000)
    looks = [t for t, text in week.sent if night[0] < t < night[1] and text == "ATRV"]
    assert looks and all(b - a >= 15_000 for a, b in pairwise(looks))
