"""kill -9 at random moments: the database whole, what was acknowledged there, 2 s lost at most."""

from __future__ import annotations

import random
from pathlib import Path

from store.killing import Said, kill_once, look

KILLS = 20  # tests/bench does as many as one asks for


def test_kills_at_random_moments_lose_nothing_that_was_acknowledged(path: Path) -> None:
    rng = random.Random(2026)
    said = Said(0, 0, 0)
    for _ in range(KILLS):
        kill_once(path, rng, said)
        look(path, said)
    assert said.acked_ms - 1_764_000_000_000 > 60_000  # minutes were finished between kills
