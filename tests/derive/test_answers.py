"""How a valve answers a moving command: lags found again, sticking told from stuck and slow."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lsim

from sootsayer.derive.answers import AWAY_LEAST, Standing
from sootsayer.derive.frames import FRAME_S
from sootsayer.derive.lag import LAGS_S, TO_90, lag_of, lagged

FRAMES = 76
LEAD = 16
TIMES_S = np.arange(FRAMES) * FRAME_S


def moving_command(seed: int = 1) -> np.ndarray:
    """Shut, then a command that never rests, as on a hilly road."""
    draw = np.random.default_rng(seed)
    knots = draw.uniform(8, 38, 12)
    command = np.interp(TIMES_S, np.linspace(8, TIMES_S[-1], 12), knots)
    return np.where(TIMES_S < 8, 0.0, command)


def followed(command: np.ndarray, lag_s: float) -> np.ndarray:
    """A first-order lag by SciPy's own solution of linear systems (scipy.signal.lsim)."""
    return np.asarray(lsim(([1.0], [lag_s, 1.0]), command, TIMES_S)[1])


@pytest.mark.parametrize("lag_s", [0.3, 0.7, 1.5, 3.0, 6.0])
def test_the_recursion_is_scipys_first_order_lag(lag_s):
    command = moving_command()
    behind = lagged(command)
    near = int(np.argmin(np.abs(LAGS_S - lag_s)))
    true = followed(command, float(LAGS_S[near]))
    assert behind[:, near] == pytest.approx(true, abs=1e-6)


@pytest.mark.parametrize("lag_s", [0.2, 0.7, 1.5, 3.0])
@pytest.mark.parametrize(("gain", "offset"), [(1.0, 0.0), (0.6, 0.0), (1.0, 8.0)])
def test_a_lag_is_found_whatever_gain_and_offset(lag_s, gain, offset):
    command = moving_command()
    draw = np.random.default_rng(7)
    position = offset + gain * followed(command, lag_s) + draw.normal(0, 0.3, FRAMES)
    found = lag_of(np.column_stack([command, position]), LEAD)
    assert found is not None
    assert found[0] == pytest.approx(TO_90 * lag_s, rel=0.25, abs=0.3)
    assert found[1] <= found[0]


def test_what_does_not_follow_has_no_lag():
    command = moving_command()
    still = np.full(FRAMES, 12.0)
    wild = np.random.default_rng(3).uniform(0, 40, FRAMES)
    assert lag_of(np.column_stack([command, still]), LEAD) is None
    assert lag_of(np.column_stack([command, wild]), LEAD) is None


def test_unknown_frames_are_left_out():
    command = moving_command()
    position = followed(command, 1.5)
    position[30:34] = np.nan
    found = lag_of(np.column_stack([command, position]), LEAD)
    assert found is not None
    assert found[0] == pytest.approx(TO_90 * 1.5, rel=0.15)


def stood(command: np.ndarray, position: np.ndarray, least: int = AWAY_LEAST) -> tuple[float, ...]:
    """Points and seconds: late, then unmoved."""
    standing = Standing()
    for asked, moved in zip(command.tolist(), position.tolist(), strict=True):
        standing.step(asked, moved, least)
    return standing.take()


def late(command: np.ndarray, position: np.ndarray, least: int = AWAY_LEAST) -> tuple[float, ...]:
    return stood(command, position, least)[:2]


STEP = np.array([0.0] * 4 + [30.0] * 36)


def at(frames: list[tuple[int, float]]) -> np.ndarray:
    """A position that holds each value for so many frames."""
    return np.concatenate([np.full(count, value) for count, value in frames])


def test_a_valve_that_waits_and_jumps_is_late():
    points, seconds = late(STEP, at([(12, 0.0), (28, 30.0)]))
    assert (points, seconds) == (30.0, 4.0)


def test_so_is_one_that_hangs_open_and_snaps_shut():
    command = np.concatenate([np.full(4, 40.0), np.zeros(16)])
    assert late(command, at([(8, 40.0), (12, 0.0)])) == (40.0, 2.0)


@pytest.mark.parametrize(
    ("name", "position"),
    [
        ("follows at once", at([(4, 0.0), (36, 30.0)])),
        ("half a second of lag", at([(5, 0.0), (35, 30.0)])),
        ("slow to begin, then it creeps", np.clip(2.5 * (np.arange(40) - 6), 0, 30)),
        ("never moves", at([(40, 0.0)])),
        ("creeps once it moves", np.concatenate([np.zeros(12), np.linspace(0, 30, 28) * 0.4])),
        ("slow", np.array([0.0] * 4 + [30 * (1 - np.exp(-i * 0.5 / 3)) for i in range(36)])),
        ("moves a third of the way", at([(5, 0.0), (35, 9.0)])),
    ],
)
def test_others_are_not_sticking(name, position):
    assert late(STEP, position) == (0.0, 0.0), name


def test_a_valve_that_stands_for_half_a_minute_is_stuck_and_does_not_stick():
    command = np.concatenate([np.zeros(4), np.full(90, 30.0)])
    assert late(command, at([(70, 0.0), (24, 30.0)])) == (0.0, 0.0)


def test_asked_shut_again_before_it_ever_moved_is_stuck_in_that_opening():
    command = np.concatenate([np.zeros(4), np.full(10, 30.0), np.zeros(10), np.full(10, 30.0)])
    assert stood(command, at([(24, 0.0), (10, 30.0)])) == (0.0, 0.0, 30.0, 5.0)
    briefly = np.concatenate([np.zeros(4), np.full(2, 30.0), np.zeros(10)])
    assert stood(briefly, at([(16, 0.0)])) == (0.0, 0.0, 0.0, 0.0)


def test_a_dead_band_within_an_opening_shows_when_it_closes():
    command = np.concatenate([np.full(6, 20.0), np.full(10, 31.0), np.full(6, 22.0), np.zeros(8)])
    points, seconds = late(command, at([(22, 20.0), (8, 0.0)]))
    assert (points, seconds) == (11.0, 5.0)


def test_a_single_frame_elsewhere_is_no_movement():
    command = np.concatenate([np.zeros(4), [8.0], np.full(35, 30.0)])
    assert late(command, at([(4, 0.0), (1, 5.0), (9, 0.0), (26, 30.0)])) == (30.0, 4.5)


def test_seldom_readings_need_a_longer_standing():
    position = at([(8, 0.0), (32, 30.0)])  # two seconds
    assert late(STEP, position)[0] > 0
    assert late(STEP, position, least=AWAY_LEAST + 2) == (0.0, 0.0)
