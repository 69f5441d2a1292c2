"""A recorder killed two hundred times: the database whole, nothing acknowledged lost."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

from store.killing import Said, kill_once, look

KILLS = 200
AFRESH = 20  # kills on one archive


def run() -> list[str]:
    rng = random.Random()
    seed = rng.randrange(1 << 32)
    rng.seed(seed)
    lost_ms = 0
    acked_s = 0
    for _ in range(KILLS // AFRESH):
        said = Said(0, 0, 0)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "archive.db"
            for _ in range(AFRESH):
                kill_once(path, rng, said)
                lost_ms = max(lost_ms, look(path, said))
        acked_s += (said.acked_ms - 1_764_000_000_000) // 1000
    return [
        f"{KILLS} kills over {acked_s:,} s of recording, seed {seed}: nothing acknowledged lost, "
        f"most lost of the rest {lost_ms / 1000:.1f} s"
    ]
