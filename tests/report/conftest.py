"""One verdict with everything in it, and a short recording with an alert."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sootsayer.model import (
    Alert,
    AlertState,
    Batch,
    Cause,
    Changes,
    Check,
    Gap,
    Identity,
    Link,
    LinkFinding,
    LinkState,
    Scaling,
    Series,
    Verdict,
)
from sootsayer.store.archive import Archive

START = 1_764_000_000_000  # 2025-11-24T16:00:00Z, date -u -d @1764000000
VIN = "TESTVIN0000000042"


@pytest.fixture
def alert() -> Alert:
    return Alert(
        rule="F1",
        link=Link.FLOW,
        state=AlertState.OPEN,
        first_ms=START + 90_000,
        raised_ms=START + 95_000,
        last_ms=START + 100_000,
        cleared_ms=None,
        seen=3,
        chances=9,
        eligible_s=312.5,
        measure=0.2,
        limit=0.5,
        unit="of due",
        title="Hardly any gas although the valve opened",
        text="In 3 of 9 openings the gas stayed away.",
        channels=("rpm", "map", "boost"),
    )


@pytest.fixture
def verdict(alert: Alert) -> Verdict:
    return Verdict(
        t_ms=START + 100_500,
        vehicle="Blue estate",
        start_ms=START,
        end_ms=START + 100_500,
        engine_s=98.0,
        trips=1,
        sentence="The valve opens and no gas comes.",
        why="In 3 of 9 openings.",
        links=(LinkFinding(Link.FLOW, LinkState.BROKEN, 9, 3, 312.5, "3 of 9", ("pressure",)),),
        alerts=(alert,),
        causes=(Cause("choked", "The passage is choked", 0.7, ("hot only",), ()),),
        next_check=Check(
            "rod", "Rod the passage", "…", "a wire", 20.0, (("soot", "choked"),), (), 0.8
        ),
        circumstances=("only when hot",),
        sure=("nine chances",),
        learned={"displacement_l": 2.4},
    )


@pytest.fixture
def recording(tmp_path: Path, alert: Alert, verdict: Verdict) -> Path:
    """Three minutes of rpm (10 Hz) and map (1 Hz, other stamps), a hole in the second minute."""
    path = tmp_path / "archive.db"
    with Archive.open(path) as archive:
        archive.begin_boot("a", 0, START, True)
        rpm_ms = START + np.arange(100, 180_001, 100)
        rpm_ms = rpm_ms[(rpm_ms <= START + 65_000) | (rpm_ms > START + 85_000)]
        map_ms = START + np.arange(1050, 180_001, 1000)
        series = (
            Series("rpm", Scaling("rpm", 0.25, 0.0, "rpm"), rpm_ms, 3001 + rpm_ms // 100 % 7),
            Series("map", Scaling("kpa", 1.0, 0.0, "kPa"), map_ms, 40 + map_ms // 1000 % 5),
        )
        vin = Identity(START + 10, "7E8", "vin", VIN)
        archive.append(Batch(START + 180_000, series, (vin,)))
        archive.gap(Gap(START + 65_000, START + 85_000, "adapter unplugged"))
        archive.apply(Changes(alerts=(alert,), verdict=verdict))
        archive.commit()
    return path
