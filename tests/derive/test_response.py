"""How a valve answers a step: times of first-order lags by their closed form."""

from __future__ import annotations

import numpy as np
import pytest

from sootsayer.derive.frames import FRAME_S
from sootsayer.derive.response import (
    AFTER,
    BEFORE,
    aba_kpa,
    reached_s,
    respond,
    respond_by_pressure,
)

FINE_S = 0.01


def frames(fine: np.ndarray) -> np.ndarray:
    """Half-second means, as frames are made."""
    return fine.reshape(-1, round(FRAME_S / FINE_S)).mean(axis=1)


def lagged(tau_s: float, dead_s: float, ramp_s: float = 0.0, down: bool = False):
    """Command and position of a first-order valve, asked to 40 points at two seconds."""
    t = np.arange(0, (BEFORE + AFTER) * FRAME_S, FINE_S) - BEFORE * FRAME_S
    command = 40 * np.clip(t / max(ramp_s, FINE_S), 0, 1)
    late = 40 * np.clip((t - dead_s) / max(ramp_s, FINE_S), 0, 1)
    position, value = np.empty_like(t), 0.0
    for i, goal in enumerate(late.tolist()):
        value += (goal - value) * (1 - np.exp(-FINE_S / tau_s))
        position[i] = value
    if down:
        command, position = 40 - command, 40 - position
    return frames(command), frames(position)


@pytest.mark.parametrize("down", [False, True])
@pytest.mark.parametrize(("tau_s", "dead_s"), [(0.3, 0.0), (0.8, 0.0), (0.8, 0.5), (1.5, 1.0)])
def test_times_of_a_first_order_valve(tau_s, dead_s, down):
    """Closed form: t = dead − τ·ln(1 − share); frames of half a second blur by a quarter."""
    found = respond(*lagged(tau_s, dead_s, down=down))
    assert found is not None
    assert found.dead_s == pytest.approx(dead_s + 0.105 * tau_s, abs=0.3)
    assert found.t63_s == pytest.approx(dead_s + 0.994 * tau_s, abs=0.3)
    assert found.t90_s == pytest.approx(dead_s + 2.303 * tau_s, abs=0.35, rel=0.1)


def test_a_ramping_command_is_not_held_against_the_valve():
    found = respond(*lagged(0.2, 0.0, ramp_s=3.0))
    assert found is not None
    assert found.t90_s < 0.6


def test_a_valve_that_does_not_move_has_no_times():
    command, position = lagged(0.2, 0.0)
    assert respond(command, position * 0.1) is None


def test_a_command_that_turns_back_is_no_step():
    command, position = lagged(0.2, 0.0)
    command[12:15] = 5.0
    assert respond(command, position) is None


def test_not_shut_without_a_figure_ends_when_shut_is_said():
    command, position = lagged(0.3, 0.0, down=True)
    said = np.where(np.arange(len(position)) < BEFORE, position, np.nan)
    said[BEFORE + 3 :] = 0.0
    found = respond(command, said)
    assert found is not None
    assert found.t90_s == pytest.approx(1.5, abs=0.6)


def test_pressure_stands_in_where_nothing_else_moved():
    command, gas = lagged(0.8, 0.0)
    steady = np.full(len(command), 2000.0)
    found = respond_by_pressure(command, 35 + gas / 8, steady, steady / 100)
    assert found is not None
    assert found.t90_s == pytest.approx(2.303 * 0.8, abs=0.35)
    moved = steady / 100 + np.linspace(0, 3, len(command))
    assert respond_by_pressure(command, 35 + gas / 8, steady, moved) is None


def test_contrast_with_shut_before_and_after():
    """Worked example of trade practice: 28.1, 33.0, 28.5 kPa give 4.70 kPa."""
    assert aba_kpa(28.1, 33.0, 28.5) == pytest.approx(4.70, abs=1e-9)


def test_never_reached_is_none():
    assert reached_s(np.array([0.0, 1.0, 2.0]), 0.0, 4.0, 0.9) is None
