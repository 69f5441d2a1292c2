"""Cars of one line differ, each always in the same way."""

import numpy as np

from sootsayer.demo.build import SPREAD, Make, column, individual


def test_the_same_seed_builds_the_same_car() -> None:
    assert individual(Make(), 4) == individual(Make(), 4)
    assert individual(Make(), 4) != individual(Make(), 5)


def test_spread_is_as_stated_and_bounded() -> None:
    makes = [individual(Make(), seed) for seed in range(400)]
    for name, part in SPREAD.items():
        nominal = getattr(Make(), name)
        off = column(makes, name) / nominal - 1.0
        assert np.abs(off).max() <= 2.0 * part + 1e-9
        assert abs(off.mean()) < 4.0 * part / np.sqrt(400)
        assert 0.75 * part < off.std() < 1.05 * part


def test_trims_of_long_ago_undo_the_flow_meter() -> None:
    make = individual(Make(), 3)
    assert abs((1.0 + make.maf_bias) * (1.0 + make.settled_trims[0]) - 1.0) < 1e-12
