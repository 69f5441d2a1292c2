"""Fifty thousand power cuts: dropped, reordered and torn sectors behind any operation."""

from __future__ import annotations

import os
import random
import shutil
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from store import cutting

CUTS = 50_000
RECORDINGS = 50  # each another recorder, so that not one alone is cut everywhere


def run() -> list[str]:
    seed = random.SystemRandom().randrange(1 << 32)
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        found = list(pool.map(cut, range(seed, seed + RECORDINGS)))
    untrue = [line for lines in found for line in lines]
    if untrue:
        raise AssertionError(f"seed {seed}: {len(untrue)} cuts left something untrue: {untrue[0]}")
    return [
        f"{CUTS:,} cuts of {RECORDINGS} recordings, seed {seed}: database whole each time, "
        "nothing acknowledged lost, chain whole"
    ]


def cut(seed: int) -> list[str]:
    rng = random.Random(seed)
    memory = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(dir=memory if memory.is_dir() else None))
    try:
        (folder / "made").mkdir()
        recorded = cutting.record(folder / "made", commits=rng.randrange(40, 200))
        cuts = cutting.cuts(recorded, folder / "cut", CUTS // RECORDINGS, rng)
        return [f"cut {behind}: {lines[0]}" for behind, lines in cuts if lines]
    finally:
        shutil.rmtree(folder)
