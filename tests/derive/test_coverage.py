"""How sure: intervals hold the truth as often as they say, and the doubt about an engine's
breathing is that of a block bootstrap. On an engine that is not ours, many drives."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from plain_engine import GAIN_G_S, Faults, batches, gas_truth, recording
from sootsayer.model import FloatArray, Opening
from sootsayer.pipeline import Pipeline
from sootsayer.vehicle import Vehicle

SMALL = Vehicle("small test engine", 0.95, 4, "petrol")
DRIVES = 16
SETTLE_MS = 4_000  # the valve's lag and the row in which it ends
SEA_LEVEL = 101.325 / 100  # the test engine's barometer stands at 100 kPa


@lru_cache(maxsize=1)
def drives() -> list[tuple[Pipeline, list[Opening], list[tuple[FloatArray, FloatArray, int]]]]:
    """Per drive: the pipeline, its openings, and the rows that its balance learned from."""
    made = []
    for seed in range(DRIVES):
        pipeline, openings, learned = Pipeline(SMALL), [], []
        learn = pipeline.balance._learn

        def note(features, target, t_ms, learn=learn, learned=learned):
            learned.append((features, target, t_ms))
            learn(features, target, t_ms)

        pipeline.balance._learn = note  # type: ignore[method-assign]
        for batch in batches(recording(Faults(), trips=3, laps=4, seed=seed), []):
            openings += pipeline.feed(batch).openings
        made.append((pipeline, openings, learned))
    return made


def test_intervals_of_single_openings_hold_the_truth():
    off = []
    for seed, (_, openings, _) in enumerate(drives()):
        t_ms, gas = gas_truth(Faults(), trips=3, laps=4, seed=seed)
        for opening in openings:
            if opening.flow_g_s is not None:
                settled = (t_ms > opening.start_ms + SETTLE_MS) & (t_ms < opening.end_ms)
                off.append((opening.flow_g_s - gas[settled].mean()) / opening.flow_sd_g_s)
    assert len(off) > 500
    # Openings of one drive share its doubt, so the share itself is known to some three per cent.
    assert 0.90 <= np.mean(np.abs(off) < 1.96) <= 0.98


def test_interval_of_the_gain_holds_the_truth():
    held = 0
    for pipeline, _, _ in drives():
        gain, sd = pipeline.balance.gain_g_s(), pipeline.balance.gain_sd()
        held += abs(gain - GAIN_G_S * SEA_LEVEL) < 1.96 * sd
        assert sd < 0.05 * gain  # sure enough to be of use
    assert held >= DRIVES - 3  # at 95 %, four or more misses of sixteen come once in 140


@pytest.mark.parametrize("drive", range(3))
def test_doubt_about_breathing_is_that_of_a_block_bootstrap(drive):
    """Stretches of learned rows drawn anew, with the same prior: spread of what the shut engine
    would breathe at the mean place of the openings."""
    pipeline, _, learned = drives()[drive]
    balance = pipeline.balance
    blocks: list[list[int]] = []
    for index, (_, _, t_ms) in enumerate(learned):
        near = blocks and t_ms - learned[blocks[-1][-1]][2] <= 20_000 and len(blocks[-1]) < 3
        blocks[-1].append(index) if near else blocks.append([index])
    features = [np.vstack([learned[i][0] for i in block]) for block in blocks]
    targets = [np.concatenate([learned[i][1] for i in block]) for block in blocks]
    place = np.vstack(features)[np.vstack(features)[:, 0] > np.median(np.vstack(features)[:, 0])]
    place = place.mean(axis=0)
    precision = np.diag(balance.sigma() ** 2 / balance._prior_sd**2)
    generator = np.random.default_rng(drive)
    breathed = []
    for _ in range(200):
        drawn = generator.integers(0, len(blocks), len(blocks))
        x = np.vstack([features[i] for i in drawn])
        y = np.concatenate([targets[i] for i in drawn])
        solution = np.linalg.solve(x.T @ x + precision, x.T @ y + precision @ balance._prior_mean)
        breathed.append(float(place @ solution))
    common = balance.displaced(place, 0.0, 1)[2]
    assert 0.6 < common / np.std(breathed) < 2.0


def test_doubt_of_the_middle_is_that_of_a_bootstrap_by_opening():
    balance = drives()[0][0].balance
    values = np.array(balance.gains)
    generator = np.random.default_rng(5)
    middles = [np.median(generator.choice(values, len(values))) for _ in range(500)]
    own = np.sqrt(balance.gain_sd() ** 2 - np.median(balance.common) ** 2)
    assert own == pytest.approx(np.std(middles), rel=0.6)
