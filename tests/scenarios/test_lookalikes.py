"""What is no fault of recirculation, from raw readings to the sentence that a person reads."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache

import numpy as np
import pytest

from plain_engine import Faults, batches
from planted_drives import Columns, changed, told, trips
from sootsayer.model import FloatArray, LinkState, Verdict
from sootsayer.pipeline import Pipeline
from sootsayer.vehicle import Vehicle

Change = Callable[[Columns, FloatArray], FloatArray]


def judged(columns: Columns, fuel: str = "petrol") -> Verdict:
    pipeline = Pipeline(Vehicle("small test engine", 0.95, 4, fuel))
    for batch in batches(told(columns), []):
        pipeline.feed(batch)
    return pipeline.verdict()


@lru_cache(maxsize=2)
def driven(faults: Faults) -> Columns:
    return trips([faults] * 4)


def lean_idle(c: Columns, trip: FloatArray) -> FloatArray:
    return c["longft1"] + 14.0 * (c["vss"] == 0)


SOUND, ROUGH, CHOKED = Faults(), Faults(idle_sd_rpm=90), Faults(passage=0.0)
CARS: dict[str, tuple[Faults, Mapping[str, Change], str, str]] = {
    "air leak": (SOUND, {"longft1": lean_idle},
        "air leaks in behind the air meter: look at that first", "air_leak"),
    "tired meter": (SOUND, {"longft1": lambda c, trip: c["longft1"] + 16.0},
        "as for a tired air meter or fuel pressure: look at that first", "air_meter"),
    "low supply": (SOUND, {"vpwr": lambda c, trip: c["vpwr"] - 2.2},
        "supply voltage is low: look at that first", ""),
    "thermostat": (SOUND, {"ect": lambda c, trip: np.minimum(c["ect"], 62.0)},
        "as with a thermostat that stands open; recirculation may be withheld", "thermostat"),
    "weak ignition": (ROUGH, {},
        "nothing yet ties that to recirculation; weak ignition or an air leak would show the same",
        "weak_ignition"),
    "rough by an air leak": (ROUGH, {"longft1": lean_idle},
        "the same would be seen with an intake leak: check that first", "air_leak"),
    "no flow at 78 kPa": (CHOKED, {"baro": lambda c, trip: 0 * c["baro"] + 78.0},
        "the same would be seen with the thin air of this height", "passage_choked"),
}  # fmt: skip


@pytest.mark.parametrize("name", CARS)
def test_it_is_said_and_nothing_is_broken(name):
    faults, changes, words, cause = CARS[name]
    found = judged(changed(driven(faults), changes))
    assert words in found.sentence
    assert LinkState.BROKEN not in {link.state for link in found.links}
    if cause:
        assert found.causes[0].cause == cause


def test_each_alert_says_what_else_would_show_it():
    found = judged(changed(driven(ROUGH), {"longft1": lean_idle}))
    alert = next(a for a in found.alerts if a.rule == "E2")
    assert "intake leak, of which there are signs; check that first" in alert.doubt


def test_a_diesel_is_judged_in_the_same_words():
    found = judged(driven(CHOKED), "diesel")
    assert found.sentence == (
        "Gas flow through the valve is in doubt; one kind of evidence says so."
    )
