"""The command's band in like conditions, and whether it hunts."""

from __future__ import annotations

import numpy as np
import pytest

from engine_story import column, told
from sootsayer.derive.commanding import Band, SteadyStretches, outside, taught
from sootsayer.derive.quantities import Reader
from sootsayer.vehicle import Vehicle


def cruise(command, tp=None):
    seconds = len(command) / 2
    return {
        "rpm": column((seconds, 2000)), "vss": column((seconds, 80)), "ect": column((seconds, 90)),
        "tp": column((seconds, 30)) if tp is None else tp, "map": column((seconds, 50)),
        "egr_pct": command,
    }  # fmt: skip


def reader() -> Reader:
    """A reader that knows where throttle and command rest."""
    fresh = Reader(Vehicle("t", 2.0, 4, "petrol", shut_pct=0.0))
    idle = {"rpm": column((60, 800)), "tp": column((60, 14)), "egr_pct": column((60, 0))}
    for _ in told(idle, fresh):
        pass
    return fresh


def swinging(period_s: float, seconds: int, points: float):
    t = np.arange(seconds * 2) / 2
    return 25 + points / 2 * np.sign(np.sin(2 * np.pi * (t + 0.01) / period_s))


def reversals(command, tp=None) -> list[float]:
    part = SteadyStretches()
    return [s.reversals_a_minute for q in told(cruise(command, tp), reader())
            for s in part.step(q)]  # fmt: skip


@pytest.mark.parametrize(
    ("period_s", "points", "low", "high"),
    [(4, 16, 26, 31), (20, 16, 2, 7), (4, 8, 0, 0)],
)
def test_reversals_a_minute(period_s, points, low, high):
    """Two reversals a period; swings of less than ten points are none."""
    found = reversals(swinging(period_s, 60, points))
    assert len(found) == 2
    assert all(low <= often <= high for often in found)


def test_with_an_unsteady_foot_nothing_is_said():
    tp = column(*[(5, 25 + 6 * (n % 2)) for n in range(12)])
    assert reversals(swinging(4, 60, 16), tp) == []


def test_without_asking_there_is_no_chance():
    assert reversals(column((60, 0))) == []


def test_the_band_is_known_after_a_minute_in_two_trips_and_then_stands():
    band, known = Band(), []
    eyes = reader()
    for trip in (1, 2):
        for q in told(cruise(column((80, 20))), eyes):
            known.append(band.step(q, trip, learn=True))
    # A short cruise far away: outside, and not learned while accused.
    before = {name: list(cell) for name, cell in band.cells.items()}
    far = [band.step(q, 3, learn=False) for q in told(cruise(column((20, 60))), eyes)]
    assert np.nanmax(far[-1]) == pytest.approx(40 - 8)
    assert np.nanmax(known[-1]) == 0
    assert band.cells == before


def test_welford_agrees_with_numpy():
    """Mean and spread of a cell against NumPy's own."""
    values = np.random.default_rng(5).normal(20, 3, 400)
    cell = None
    for value in values.tolist():
        cell = taught(cell, value, 1)
    assert cell[1] == pytest.approx(values.mean())
    assert cell[2] / cell[0] == pytest.approx(values.var())
    assert outside(cell, 20 + 3 * values.std() + 5) == pytest.approx(
        5 + 20 - values.mean(), abs=1e-9
    )
