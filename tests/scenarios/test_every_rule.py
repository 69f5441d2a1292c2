"""Every shipped rule, shown firing from raw readings to the alert that a person sees.

A table of stories: a recording of the plain engine (tests/plain_engine.py, which is not ours) with
something made wrong, and the rules that must raise an alert on the way through the whole pipeline.
One story is a car of the demo, whose engine is another. The first story is a sound week in which
none may.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import pytest

from plain_engine import Faults, batches
from planted_drives import (
    TRIP_MS,
    Columns,
    before_starts,
    changed,
    error_of,
    lagged,
    results,
    seldom,
    sensor,
    steady_cruise,
    told,
    trips,
    with_play,
)
from sootsayer.demo.faults import Fault, FaultKind
from sootsayer.demo.journeys import drive
from sootsayer.demo.recording import batches as recorded
from sootsayer.demo.recording import journeys
from sootsayer.model import Batch, CodeSeen, CodesRead, CodeStatus, FloatArray, Identity, Series
from sootsayer.pipeline import Pipeline
from sootsayer.rules.book import load_rules
from sootsayer.vehicle import Vehicle

SMALL = Vehicle("small test engine", 0.95, 4, "petrol")
BY_VACUUM = Vehicle("small test engine", 0.95, 4, "petrol", valve="vacuum")
SOUND = Faults()
READY = 0x8000 | 0x80  # the recirculation monitor is there and not complete (SAE J1979 PID 01)


def opened(feed: list[Batch], vehicle: Vehicle = SMALL) -> set[str]:
    """Rules that raised an alert at any time, and were in the verdict then or at the end."""
    pipeline = Pipeline(vehicle)
    raised: set[str] = set()
    for batch in feed:
        raised |= {alert.rule for alert in pipeline.feed(batch).alerts}
    in_verdict = {alert.rule for alert in pipeline.verdict().alerts}
    assert raised <= in_verdict  # open, or among those that ended
    return raised


def heard(series: list[Series], vehicle: Vehicle = SMALL) -> set[str]:
    return opened(batches(series, []), vehicle)


def idle(c: Columns) -> FloatArray:
    return (c["vss"] == 0).astype(float)


@lru_cache(maxsize=1)
def sound() -> Columns:
    return trips([SOUND] * 6)


def story(**changes: Callable[[Columns, FloatArray], FloatArray]) -> set[str]:
    return heard(told(changed(sound(), changes)))


# ---------------------------------------------------------------- permit, ask


def gear_wrong() -> set[str]:
    return heard(told(trips([Faults(permitted=False, neutral=True)] * 3)))


def asked_cold() -> set[str]:
    return heard(told(trips([Faults(cold_open=True)] * 3)))


def out_of_band_and_hunting() -> set[str]:
    """From the fourth trip on 25 points more; then the command swings every three seconds."""

    def command(c: Columns, trip: FloatArray) -> FloatArray:
        swings = 18 * np.sign(np.sin(2 * np.pi * c["t_ms"] / 6000))
        wild = np.where(trip >= 4, c["egr_pct"] + 20 + swings, c["egr_pct"] + 25)
        return np.where((trip >= 3) & (c["egr_pct"] > 1), wild, c["egr_pct"])

    steady = changed(sound(), {
        "tp": lambda c, trip: np.where(c["vss"] > 55, np.round(c["tp"] / 4) * 4, c["tp"]),
        "egr_pct": command, "egr_err": lambda c, trip: np.zeros(len(trip)),
    })  # fmt: skip
    return heard(told(steady))


def cold_and_frozen() -> set[str]:
    return story(ect=lambda c, trip: np.full(len(trip), -40.0))


def throttle_place() -> set[str]:
    return story(tp=lambda c, trip: c["tp"] + 6.0 * (trip >= 3))


def pressures_apart() -> set[str]:
    standing = {"map": 93.0, "baro": 100.0, "iat": 25.0}
    return heard(told(before_starts(trips([SOUND] * 3), 14.0, standing)))


def meter_tired() -> set[str]:
    """Never asked for, so that the meter is seen under load with the valve shut."""
    shut = trips([Faults(permitted=False)] * 8, laps=6)
    return heard(told(changed(shut, {"maf": lambda c, trip: c["maf"] * (1 - 0.3 * (trip >= 3))})))


# ---------------------------------------------------------------- move


def stuck_shut() -> set[str]:
    return heard(told(trips([Faults(lift=0.0)] * 3)))


def stays_open() -> set[str]:
    return story(
        egr_err=lambda c, trip: np.where(c["egr_pct"] < 0.5, 99.3, c["egr_err"]),
    )


def slow() -> set[str]:
    def error(c: Columns, trip: FloatArray) -> FloatArray:
        return error_of(lagged(c["egr_pct"], 1.6), c["egr_pct"])

    return story(egr_err=error)


def jumps() -> set[str]:
    """The valve answers two seconds late, at once and wholly."""
    return story(
        egr_err=lambda c, trip: error_of(np.roll(c["egr_pct"], 10), c["egr_pct"]),
    )


def play() -> set[str]:
    """The command goes up and down in steps of ten seconds, the valve has twelve points of play."""
    steps = np.array([0, 10, 25, 15, 35, 20, 30, 12], dtype=float)

    def command(c: Columns, trip: FloatArray) -> FloatArray:
        place = (c["t_ms"] / 10_000).astype(int) % len(steps)
        return np.where(c["egr_pct"] > 1, 8 + steps[place], 0.0)

    asked = changed(sound(), {"egr_pct": command})
    told_by = {
        "egr_err": lambda c, trip: error_of(with_play(c["egr_pct"], 12.0), c["egr_pct"]),
    }
    return heard(told(changed(asked, told_by)))


def creeps() -> set[str]:
    """A shut place that rises by a little in every trip."""
    return heard(told(changed(trips([SOUND] * 8), {
        "egr_a_act": lambda c, trip: lagged(c["egr_pct"], 0.5) + 0.6 * trip,
    })))  # fmt: skip


def sensor_reads_shut() -> set[str]:
    """From the fourth trip on, while gas goes on flowing."""

    def error(c: Columns, trip: FloatArray) -> FloatArray:
        return np.where(trip < 3, c["egr_err"], np.where(c["egr_pct"] > 0.5, -100.0, 0.0))

    return story(egr_err=error)


# ---------------------------------------------------------------- flow


def choked_demo() -> set[str]:
    """A car of the demo with its passage closed."""
    trips_of_it = drive(journeys(4, 1, (Fault(FaultKind.PASSAGE_CHOKED, 1.0),), minutes=14.0))
    return opened(list(recorded(trips_of_it)), Vehicle("estate", 2.4, 4, "petrol"))


def leaks() -> set[str]:
    return heard(told(trips([Faults(leak_g_s=0.6, idle_sd_rpm=90)] * 3, laps=5)))


def fades() -> set[str]:
    return heard(told(trips([Faults(passage=1.0 - 0.06 * n) for n in range(11)], laps=3)))


def drops() -> set[str]:
    return heard(told(trips([SOUND] * 8 + [Faults(passage=0.8)] * 12, laps=3)))


def smaller_than_stated() -> set[str]:
    car = Vehicle("small test engine", 0.95, 4, "petrol", valve_area_mm2=30.0)
    return heard(told(trips([Faults(passage=0.3)] * 3)), car)


def smaller_than_usual() -> set[str]:
    """The same engine, stated as one of 2.8 litres, whose usual valves are larger."""
    car = Vehicle("engine of another size", 2.8, 4, "petrol")
    return heard(told(trips([Faults(passage=0.3)] * 3)), car)


def choked_beside_the_valve() -> set[str]:
    return heard(told(trips([Faults(most_g_s=0.7)] * 4)))


def dips() -> set[str]:
    return heard(told(steady_cruise(15, 30.0, 5.0, dip_pct=6.0)))


def too_much() -> set[str]:
    return heard(told(trips([SOUND] * 3 + [Faults(passage=2.4)] * 3)))


# ---------------------------------------------------------------- added sensors

SLOWER = 3.2  # laps so slow that the valve stands open and shut for minutes


@lru_cache(maxsize=1)
def long_laps() -> Columns:
    columns = trips([SOUND] * 5, laps=6, every_ms=8 * 3_600_000)
    start = columns["t_ms"][0]
    within = columns["t_ms"] - start - columns["trip"] * 8 * 3_600_000
    return columns | {"t_ms": start + columns["trip"] * 8 * 3_600_000 + SLOWER * within}


def with_sensors(
    weak: float = 0.9,
    release_s: float = 0.3,
    leaky: bool = False,
    heat: str = "gas",
    feedback: float = 0.03,
    feedback_left: float = 1.0,
    drifts_v: float = 0.0,
    contact: int | None = None,
) -> set[str]:
    """Vacuum line, passage thermometer, pressure feedback and contact beside the car's own."""
    laps = long_laps()
    if leaky:  # only a command that stands still lets vacuum show that it does not
        laps = changed(laps, {"egr_pct": lambda c, trip: np.where(c["egr_pct"] > 1, 22.0, 0.0)})
    c = before_starts(laps, 6.0, {})
    step_s, is_open = SLOWER * 0.2, c["egr_pct"] > 4
    source = np.maximum(c["baro"] - c["map"], 0)
    vacuum = lagged(np.where(is_open, weak * source, 0.0), release_s, step_s)
    if leaky:
        begun = np.maximum.accumulate(np.where(is_open, 0.0, c["t_ms"]))
        vacuum = vacuum * np.clip(1 - (c["t_ms"] - begun) / 150_000, 0.1, 1)
    hot = {"gas": is_open, "never": np.zeros_like(is_open), "always": np.ones_like(is_open)}[heat]
    passage = lagged(np.where(hot, c["ect"] + 150, c["ect"] + 10), 25.0, step_s)
    running = c["rpm"] > 0
    pressure = 0.6 + drifts_v * running
    part = np.where(c["trip"] >= 2, feedback_left, 1.0)
    flow = np.where(is_open, part * feedback * c["egr_pct"], 0.0)
    pressure = pressure + lagged(flow, 0.3, step_s)
    closed = (passage > c["ect"] + 40).astype(float)
    if contact is not None:
        closed[:] = contact
    added = [
        sensor("egr_vacuum_kpa", c, vacuum, "kPa"), sensor("egr_passage_c", c, passage, "°C"),
        sensor("egr_pressure_v", c, pressure, "V"), sensor("egr_contact", c, closed, ""),
    ]  # fmt: skip
    # Without the valve's position: where it is seen to follow, its vacuum is enough by definition.
    return heard([*told(c, without=("egr_err",)), *added], BY_VACUUM)


# ---------------------------------------------------------------- effect


def rough_and_late() -> set[str]:
    """Spark late from the fourth trip on, and an engine too hot."""
    return story(
        sparkadv=lambda c, trip: c["sparkadv"] - 5.0 * (trip >= 3),
        ect=lambda c, trip: np.where((c["ect"] > 85) & (trip >= 3), 115.0, c["ect"]),
    )


def hot_restarts() -> set[str]:
    """Ten minutes after each trip the hot engine is cranked for four seconds."""
    columns = trips([SOUND] * 5, laps=3, every_ms=1_420_000)
    hot = changed(columns, {"ect": lambda c, trip: np.full(len(trip), 88.0)})
    return heard(told(before_starts(hot, 10.0, {"ect": 88.0}, turning_s=4.0)))


def stalls() -> set[str]:
    """At every third stop the engine dies while the car still rolls, and is started again."""
    c = dict(sound())
    stopping = np.flatnonzero((c["vss"][:-1] > 0) & (c["vss"][1:] == 0))
    rpm, speed = c["rpm"].copy(), c["vss"].copy()
    for place in stopping[::3].tolist():
        rpm[place - 12 : place + 15] = 0.0
        speed[place - 20 : place] = 20.0
    return heard(told(c | {"rpm": rpm, "vss": speed}))


def late_without_gas() -> set[str]:
    """No gas in every other trip, and spark five degrees late at its openings."""
    c = trips([SOUND if n % 2 == 0 else Faults(passage=0.0) for n in range(6)])

    def spark(c: Columns, trip: FloatArray) -> FloatArray:
        return c["sparkadv"] - 5.0 * ((trip % 2 == 1) & (c["egr_pct"] > 1))

    return heard(told(changed(c, {"sparkadv": spark})))


def trims_of_gas() -> set[str]:
    rich = changed(sound(), {"longft1": lambda c, trip: c["longft1"] - 14 * idle(c)})
    return heard(told(rich, without=("maf",)))


def at_times(faults: Faults, acts: FloatArray) -> set[str]:
    """Manifold and air of the faulty engine in every third of the stretches in which ``acts``."""
    number = np.cumsum(np.diff(acts.astype(int), prepend=0) > 0) * acts
    faulty = trips([faults] * 6)
    here = (number > 0) & (number % 3 == 0)
    parts = {name: np.where(here, faulty[name], sound()[name]) for name in ("map", "maf")}
    return heard(told(sound() | parts))


def weak_at_times() -> set[str]:
    return at_times(Faults(passage=0.3), sound()["egr_pct"] > 1)


def leaks_at_times() -> set[str]:
    return at_times(Faults(leak_g_s=0.9), sound()["vss"] == 0)


# ---------------------------------------------------------------- what units say, and the recorder


def said_of_itself() -> set[str]:
    """Codes, results, readiness; supply low; trims of an air leak."""
    c = changed(sound(), {
        "vpwr": lambda c, trip: c["vpwr"] - 2.2,
        "longft1": lambda c, trip: c["longft1"] + 14 * idle(c),
    })  # fmt: skip
    series = [*told(c), *results([2000, 2100, 1900, 2000, 4300, 4400], 4000),
              seldom("monitor_status", [READY] * 6)]  # fmt: skip
    feed = batches(series, [])
    at_ms = int(sound()["t_ms"][0]) + 300_000
    codes = tuple(
        event
        for trip in range(3)
        for event in (
            CodesRead(at_ms + trip * TRIP_MS, "7E8", CodeStatus.PENDING, 1),
            CodeSeen(at_ms + trip * TRIP_MS, "7E8", "P0401", CodeStatus.PENDING),
        )
    )
    easier = {"C3": {"trips_least": 5}}
    vehicle = Vehicle("small test engine", 0.95, 4, "petrol", rules=easier)
    return opened([Batch(b.upto_ms, b.series, codes) for b in feed], vehicle)


def everywhere_lean_and_cleared() -> set[str]:
    c = changed(sound(), {"longft1": lambda c, trip: c["longft1"] + 16.0})
    return heard([*told(c), seldom("warm_ups", [5, 6, 7, 0, 1, 2])])


def gaps() -> set[str]:
    """Forty seconds of each three minutes are missing."""
    c = sound()
    kept = (c["t_ms"] / 1000) % 180 > 40
    return heard(told({name: column[kept] for name, column in c.items()}))


def own_word() -> set[str]:
    """The recorder itself says that its clock was not set and its room is short."""
    feed = batches(told(trips([SOUND])), [])
    at_ms = int(feed[0].series[0].t_ms[0]) - 5_000
    words = (Identity(at_ms, "recorder", "clock", "not set"),
             Identity(at_ms, "recorder", "room", "short"))  # fmt: skip
    return opened([Batch(b.upto_ms, b.series, words) for b in feed])


def pressure_stands_still() -> set[str]:
    return story(map=lambda c, trip: np.full(len(trip), 47.0))


STORIES: dict[str, tuple[Callable[[], set[str]], frozenset[str]]] = {
    name: (made, frozenset(rules.split()))
    for name, made, rules in (
        ("gear input", gear_wrong, "P1 P2"),
        ("asked when cold", asked_cold, "A1"),
        ("out of its band, then hunting", out_of_band_and_hunting, "A2 A3"),
        ("coolant sensor open", cold_and_frozen, "P3C P3S"),
        ("throttle six points off", throttle_place, "P3T"),
        ("manifold sensor low before starts", pressures_apart, "P3P"),
        ("air meter grown tired", meter_tired, "P3M"),
        ("valve stuck shut", stuck_shut, "M1 M8"),
        ("valve said not shut", stays_open, "M2"),
        ("valve slow", slow, "M3"),
        ("valve waits and jumps", jumps, "M4 M4R"),
        ("play", play, "M4D"),
        ("a shut place that creeps", creeps, "M5"),
        ("position reads shut while gas flows", sensor_reads_shut, "F7S"),
        ("passage choked", choked_demo, "F1 F1S F7"),
        ("valve leaks", leaks, "F2 E2"),
        ("passage closes trip by trip", fades, "F3"),
        ("flow drops", drops, "F3D"),
        ("a third of the openings weak", weak_at_times, "F1U"),
        ("leaks at a third of the stops", leaks_at_times, "F2S"),
        ("flow more than doubles", too_much, "F4"),
        ("smaller than stated", smaller_than_stated, "F8"),
        ("smaller than usual", smaller_than_usual, "F8S"),
        ("choked beside the valve", choked_beside_the_valve, "F9"),
        ("dips at openings", dips, "F4S"),
        ("vacuum weak", lambda: with_sensors(weak=0.35), "M6"),
        ("vacuum decays", lambda: with_sensors(leaky=True), "M6D"),
        ("vacuum lingers, contact shorted",
         lambda: with_sensors(release_s=2.5, contact=1), "M6R M7"),
        ("no heat, feedback dead", lambda: with_sensors(heat="never", feedback=0.0),
         "F5 F6 M7W"),
        ("feedback shows a third", lambda: with_sensors(feedback_left=0.1), "F6F"),
        ("always hot, feedback drifted", lambda: with_sensors(heat="always", drifts_v=0.3),
         "F5H F6Z"),
        ("late spark, hot engine", rough_and_late, "E1 E6"),
        ("hot restarts", hot_restarts, "E3"),
        ("stalls", stalls, "E5"),
        ("rich at idle, metered by pressure", trims_of_gas, "E4"),
        ("the unit's own word, low supply, air leak", said_of_itself, "C1 C2 C3 R5 N1"),
        ("lean everywhere, codes cleared", everywhere_lean_and_cleared, "N2 C4"),
        ("late spark where gas lacks", late_without_gas, "E1C"),
        ("gaps", gaps, "R1"),
        ("the recorder's own word", own_word, "R3 R4"),
        ("pressure stands still", pressure_stands_still, "R2"),
    )
}  # fmt: skip


@pytest.mark.parametrize("name", STORIES)
def test_the_story_raises_its_alerts(name):
    made, rules = STORIES[name]
    found = made()
    assert rules <= found, (rules - found, found)


def test_every_shipped_rule_is_in_a_story():
    told_of = frozenset().union(*(rules for _, rules in STORIES.values()))
    assert set(load_rules()) - told_of == set()


def test_the_sound_week_raises_none():
    assert heard(told(sound())) == set()
