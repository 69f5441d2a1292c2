"""Faults that come and go, planted into the sound drive of an engine that is not ours: each is
counted as so many of so many chances, and the sound drive has none."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import lru_cache

import numpy as np
import pytest

from plain_engine import STEP_S, Faults, as_series, batches, drive
from sootsayer.model import Batch, FloatArray, Series
from sootsayer.pipeline import Pipeline
from sootsayer.rules.watches import ChanceWatch
from sootsayer.vehicle import Vehicle

SMALL = Vehicle("small test engine", 0.95, 4, "petrol")
TRIPS, LAPS = 6, 5
COUNTED = ("M2", "M3", "M4", "M4R", "F2S", "F1U")
Columns = dict[str, FloatArray]


@lru_cache(maxsize=4)
def driven(faults: Faults) -> tuple[FloatArray, Columns]:
    columns = drive(faults, trips=TRIPS, laps=LAPS)
    return columns[0][1], {name: value for name, _, value in columns}


def runs(on: FloatArray) -> FloatArray:
    """Number of the run of ones that each reading belongs to, 0 between."""
    begins = np.diff(on.astype(int), prepend=0) > 0
    return np.cumsum(begins) * (on > 0)


def judged(columns: Columns) -> Pipeline:
    pipeline = Pipeline(SMALL)
    for batch in batches(series_of(columns), []):
        pipeline.feed(batch)
    return pipeline


def series_of(columns: Columns) -> list[Series]:
    t_ms, _ = driven(Faults())
    return [as_series(name, t_ms, value) for name, value in columns.items()]


def counted(pipeline: Pipeline, rule: str) -> tuple[int, int, bool]:
    watch = pipeline.rules.watches[rule]
    assert isinstance(watch, ChanceWatch)
    return watch.failed, watch.total, watch.open


# ---------------------------------------------------------------- what is planted


def sound() -> Columns:
    return driven(Faults())[1]


def with_position(moved: FloatArray) -> Columns:
    """The sound drive with another position told: EGR error by SAE J1979 from command."""
    columns = dict(sound())
    command = columns["egr_pct"]
    error = np.where(command > 0.5, (moved - command) / np.maximum(command, 0.5) * 100, 0.0)
    error = np.where((command <= 0.5) & (moved > 0.5), 99.3, error)
    columns["egr_err"] = np.clip(error, -100, 99.3)
    return columns


def lagged(command: FloatArray, lag_s: FloatArray) -> FloatArray:
    moved, value = np.empty_like(command), 0.0
    for index, goal in enumerate(command.tolist()):
        value += (goal - value) * (1 - np.exp(-STEP_S / lag_s[index]))
        moved[index] = value
    return moved


def slow_in_one_of_three() -> Columns:
    command = sound()["egr_pct"]
    opening = np.maximum.accumulate(runs(command > 1))  # so that it comes home late, too
    return with_position(lagged(command, np.where(opening % 3 == 0, 1.8, 0.15)))


def sticks_in_one_of_three() -> Columns:
    """Shut for three and a half seconds more, then it jumps."""
    command = sound()["egr_pct"]
    opening = runs(command > 1)
    first = np.zeros(len(command))
    for number in range(3, int(opening.max()) + 1, 3):
        first[np.flatnonzero(opening == number)[: int(3.5 / STEP_S)]] = 1
    return with_position(lagged(np.where(first, 0.0, command), np.full(len(command), 0.15)))


def unmoved_after_every_night() -> Columns:
    """Each trip begins after hours of rest, and its first opening does not move the valve."""
    command, t_ms = sound()["egr_pct"], driven(Faults())[0]
    opening, trip = runs(command > 1), np.cumsum(np.diff(t_ms, prepend=t_ms[0]) > 3_600_000)
    first = [opening[(trip == number) & (opening > 0)].min() for number in range(TRIPS)]
    held = np.where(np.isin(opening, first), 0.0, command)
    return with_position(lagged(held, np.full(len(command), 0.15)))


def spliced(faults: Faults, where: FloatArray) -> Columns:
    """The sound drive, with manifold and air of the faulty engine ``where`` it acts."""
    columns, faulty = dict(sound()), driven(faults)[1]
    for name in ("map", "maf"):
        columns[name] = np.where(where, faulty[name], columns[name])
    return columns


def leaks_at_one_stop_of_three() -> Columns:
    stop = runs(sound()["vss"] == 0)
    return spliced(Faults(leak_g_s=0.9), (stop > 0) & (stop % 3 == 0))


def leaks_and_shakes_at_one_stop_of_three() -> Columns:
    """So much gas that idle speed swings by 120 rpm and never settles."""
    columns = leaks_at_one_stop_of_three()
    stop = runs(sound()["vss"] == 0)
    swing = 120.0 * np.sin(np.arange(len(stop)) * STEP_S * 2 * np.pi / 3.0)
    columns["rpm"] = columns["rpm"] + np.where((stop > 0) & (stop % 3 == 0), swing, 0.0)
    return columns


def weak_in_one_opening_of_three() -> Columns:
    opening = runs(sound()["egr_pct"] > 1)
    return spliced(Faults(passage=0.3), (opening > 0) & (opening % 3 == 0))


PLANTED: dict[str, tuple[Callable[[], Columns], str]] = {
    "slow": (slow_in_one_of_three, "M3"),
    "sticks": (sticks_in_one_of_three, "M4"),
    "stays put": (unmoved_after_every_night, "M4R"),
    "leaks and shakes": (leaks_and_shakes_at_one_stop_of_three, "F2S"),
    "leaks": (leaks_at_one_stop_of_three, "F2S"),
    "weak": (weak_in_one_opening_of_three, "F1U"),
}


def test_the_sound_drive_has_chances_and_no_failures():
    pipeline = judged(sound())
    for rule in COUNTED:
        failed, total, is_open = counted(pipeline, rule)
        assert (failed, is_open) == (0, False), rule
        assert total >= 5, rule


@pytest.mark.parametrize("name", PLANTED)
def test_what_acts_one_time_in_three_is_counted_so(name):
    planted, rule = PLANTED[name]
    failed, total, is_open = counted(judged(planted()), rule)
    assert is_open
    assert 0.15 < failed / total < 0.45


def test_a_valve_that_sticks_is_not_called_slow_nor_a_slow_one_sticky():
    assert not counted(judged(sticks_in_one_of_three()), "M3")[2]
    assert not counted(judged(slow_in_one_of_three()), "M4")[2]


def test_an_engine_that_cranks_and_never_runs_shows_a_valve_that_stands_open():
    t_ms = 1_760_000_000_000 + np.arange(0, 600_000, 200.0)
    flat = np.zeros(len(t_ms))
    columns = {
        "rpm": flat + 130.0, "vss": flat, "map": flat + 97.0, "maf": flat + 1.2, "tp": flat + 4.0,
        "ect": flat + 12.0, "iat": flat + 10.0, "egr_pct": flat, "egr_err": flat + 99.3,
    }  # fmt: skip
    for error, is_open in ((99.3, True), (0.0, False)):
        columns["egr_err"] = flat + error
        pipeline = Pipeline(SMALL)
        for batch in batches([as_series(n, t_ms, v) for n, v in columns.items()], []):
            pipeline.feed(batch)
        assert counted(pipeline, "M2")[2] is is_open


def test_a_position_that_is_a_mere_echo_counts_for_nothing():
    """Real recordings show control units that command 4.7 % when shut and tell 0 as position."""
    columns = dict(sound())
    command = columns["egr_pct"]
    columns["egr_pct"] = np.maximum(command, 4.7)
    columns["egr_a_cmd"] = columns["egr_pct"]
    columns["egr_a_act"] = command
    columns["egr_err"] = 0.0 * command
    pipeline = judged(columns)
    assert pipeline.reader.echoes()
    assert counted(pipeline, "M4")[0] == 0
    assert counted(pipeline, "M4")[1] < 15  # before it was known for an echo


@pytest.mark.parametrize("name", ["sticks", "leaks"])
def test_any_cutting_and_any_restart_counts_the_same(name):
    planted, rule = PLANTED[name]
    whole = judged(planted())
    series = series_of(planted())
    cuts = list(range(int(series[0].t_ms[0]), int(series[0].t_ms[-1]), 1_777_000))
    pipeline: Pipeline | None = Pipeline(SMALL)
    for batch in batches(series, cuts):
        assert pipeline is not None
        pipeline.feed(batch)
        done_ms = pipeline.done_ms or 0
        pipeline = Pipeline.restore(SMALL, json.loads(json.dumps(pipeline.state())))
        assert pipeline is not None
        rest = [
            Series(s.channel, s.scaling, s.t_ms[s.t_ms > done_ms], s.raw[s.t_ms > done_ms])
            for s in batch.series
        ]
        pipeline.feed(Batch(batch.upto_ms, tuple(s for s in rest if len(s.t_ms))))
    assert pipeline is not None
    assert counted(pipeline, rule) == counted(whole, rule)
    for part in ("answers", "stop_gases"):
        assert json.dumps(pipeline.state()[part]) == json.dumps(whole.state()[part])
