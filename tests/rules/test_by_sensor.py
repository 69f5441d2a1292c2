"""Added sensors through the whole pipeline: planted faults are found, a sound car stays quiet."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest

from plain_engine import Faults, as_series, batches, drive
from sootsayer.model import FloatArray, Scaling, Series
from sootsayer.pipeline import Pipeline
from sootsayer.vehicle import Vehicle

SMALL = Vehicle("small test engine", 0.95, 4, "petrol", valve="vacuum")
SLOWER = 3.2
STEP_S = 0.2 * SLOWER
SENSORS = {"M6", "M6D", "M6R", "M7", "M7W", "F5", "F5H", "F6", "F6Z"}


def lagged(target: FloatArray, tau_s: float, step_s: float = STEP_S) -> FloatArray:
    out, value, share = np.empty_like(target), float(target[0]), 1 - np.exp(-step_s / tau_s)
    for i, goal in enumerate(target.tolist()):
        value += share * (goal - value)
        out[i] = value
    return out


@lru_cache(maxsize=1)
def driven() -> dict[str, tuple[FloatArray, FloatArray]]:
    """Five trips in which the engine cruises for minutes with the valve open and then shut: the
    plain engine's laps with the clock running slower by three and a fifth."""
    return {
        name: (t_ms[0] + SLOWER * (t_ms - t_ms[0]), values)
        for name, t_ms, values in drive(Faults(), trips=5, laps=6)
    }


def added(fault: str = "") -> list[Series]:
    """Sensors of a sound car, or with one thing wrong."""
    columns = driven()
    t_ms, asked = columns["egr_pct"]
    ect, idle = columns["ect"][1], columns["vss"][1] == 0
    is_open = asked > 4
    source = np.maximum(columns["baro"][1] - columns["map"][1], 0)
    vacuum = lagged(np.where(is_open, 0.9 * source, 0.0), 2.5 if fault == "lingers" else 0.3)
    if fault == "weak":
        vacuum = vacuum * 0.4
    hot = is_open if fault != "coked" else np.zeros_like(is_open)
    if fault == "leaks":
        hot = np.ones_like(is_open)
    passage = lagged(np.where(hot, ect + 150, ect + 10), 25.0)
    feedback = 0.6 + lagged(np.where(is_open & (fault != "dead"), 0.03 * asked, 0.0), 0.3)
    contact = (passage > ect + 40).astype(float)
    if fault == "shorted":
        contact[:] = 1
    if fault == "open":
        contact[:] = 0
    milli = {"egr_vacuum_kpa": (vacuum, "kPa"), "egr_passage_c": (passage, "°C"),
             "egr_pressure_v": (feedback, "V"), "egr_contact": (contact, "")}  # fmt: skip
    assert idle.any()
    return [
        Series(name, Scaling(f"{name} milli", 0.001, 0.0, unit), t_ms.astype(np.int64),
               np.rint(values * 1000).astype(np.int64))
        for name, (values, unit) in milli.items()
    ]  # fmt: skip


def found(fault: str) -> set[str]:
    # Without the valve's position: where it is seen to follow, its vacuum is enough by definition.
    base = [as_series(n, *columns) for n, columns in driven().items() if n != "egr_err"]
    pipeline = Pipeline(SMALL)
    for batch in batches([*base, *added(fault)], []):
        pipeline.feed(batch)
    return {watch.rule.name for watch in pipeline.rules.all_watches() if watch.open} & SENSORS


@pytest.mark.parametrize(
    ("fault", "rules"),
    [
        ("", set()),
        ("weak", {"M6"}),
        ("lingers", {"M6R"}),
        ("coked", {"F5", "M7W"}),
        ("shorted", {"M7"}),
        ("open", {"M7W"}),
        ("dead", {"F6"}),
    ],
)
def test_each_sensor_tells_its_own_fault(fault, rules):
    assert found(fault) == rules
