"""Play, creep, fade and drift: planted changes are found with their size, sound cars stay quiet."""

from __future__ import annotations

import numpy as np
import pytest

from sootsayer.derive.drift import TripMiddles
from sootsayer.derive.motion import Motions
from sootsayer.derive.opened import Flow, Judged
from sootsayer.derive.play import Play
from sootsayer.model import Opening
from sootsayer.rules.book import load_rules
from sootsayer.rules.watches import LevelWatch


def opening(number: int, trip: int, flow_g_s: float) -> Judged:
    """One opening of half travel whose due flow is five grams a second."""
    shown = Opening(number, trip, number * 60_000, number * 60_000 + 20_000, 50.0, 50.0, flow_g_s,
                    0.2, 5.0, 10.0, 1.0, None, None, None)  # fmt: skip
    return Judged(shown, 30, 0, 0, True, Flow(flow_g_s, 0.2, 5.0, 5.0, 1.0, 0.5), None)


def slow_changes(part_at, trips: int, seed: int = 1) -> dict[str, bool]:
    """Which alerts a car shows whose flow is ``part_at(trip)`` of five; each trip and each
    opening has a deviation of its own."""
    generator = np.random.default_rng(seed)
    motions, rules = Motions(by_vacuum=False), load_rules()
    watches = {"F3": LevelWatch(rules["F3"]), "F3D": LevelWatch(rules["F3D"])}
    opened, number = dict.fromkeys(watches, False), 0
    for trip in range(1, trips + 1):
        offset = generator.normal(0, 0.1)
        for _ in range(12):
            number += 1
            flow = 5 * part_at(trip) + offset + generator.normal(0, 0.25)
            completed = motions.slow.add_opening(opening(number, trip, flow))
            t_ms = number * 60_000
            levels = {"F3": motions._fade() if completed else None,
                      "F3D": motions._drift() if completed else None}  # fmt: skip
            for name, level in levels.items():
                if level is not None:
                    watches[name].settle(watches[name].add(t_ms, t_ms + 10_000, *level), t_ms)
                    opened[name] |= watches[name].open
    return opened


@pytest.mark.parametrize("seed", range(6))
def test_a_sound_car_neither_fades_nor_drifts(seed):
    assert slow_changes(lambda trip: 1.0, 40, seed) == {"F3": False, "F3D": False}


@pytest.mark.parametrize("seed", range(3))
def test_a_passage_that_closes_over_weeks_is_found(seed):
    assert slow_changes(lambda trip: 1 - 0.02 * trip, 25, seed) == {"F3": True, "F3D": True}


def test_a_step_is_drift():
    assert slow_changes(lambda trip: 1.0 if trip < 12 else 0.7, 20)["F3D"]


def test_a_sure_but_small_loss_is_no_alert_of_fading():
    assert not slow_changes(lambda trip: 1 - 0.006 * trip, 25)["F3"]


def test_a_repair_begins_anew():
    motions = Motions(by_vacuum=False)
    for number in range(100):
        motions.slow.add_opening(opening(number, number // 10, 5.0))
    motions.forget()
    assert motions.slow.values == 0
    assert motions.slow.sums.trips == 0


def test_creep_needs_a_sure_trend():
    still, creeping = TripMiddles(), TripMiddles()
    generator = np.random.default_rng(4)
    for trip in range(1, 15):
        for _ in range(4):
            still.add(trip, float(generator.normal(0, 0.3)))
            creeping.add(trip, 0.4 * trip + float(generator.normal(0, 0.3)))
    assert still.trend()[3] > 0.05
    _, change, sd, chance = creeping.trend()
    assert chance < 0.001
    assert change == pytest.approx(0.4 * 12, abs=3 * sd)


def play_of(friction_points: float, seed: int = 1) -> list[float]:
    """Play found from a command that steps between places, a valve that stops short on both
    ways, and a reading with noise."""
    generator = np.random.default_rng(seed)
    play = Play()
    asked = np.repeat(generator.uniform(15, 60, 80), 20)
    place, moved = 0.0, []
    for goal in asked.tolist():
        if abs(goal - place) > friction_points / 2:
            place = goal - np.sign(goal - place) * friction_points / 2
        moved.append(place + generator.normal(0, 0.2))
    for block in range(len(asked) // 20):
        part = slice(20 * block, 20 * block + 20)
        play.step(_Frames(asked[part], np.array(moved)[part]), True)
    return play.found


class _Frames:
    """As much of a block as play looks at."""

    def __init__(self, asked, moved):
        self.asked, self.moved = asked, moved
        self.block = type("Block", (), {"contiguous": True})


@pytest.mark.parametrize("friction", [0.0, 3.0, 8.0])
def test_play_is_measured(friction):
    play, sd, arrivals = play_of(friction)
    assert play == pytest.approx(friction, abs=max(0.4, 4 * sd))
    assert arrivals >= 8
