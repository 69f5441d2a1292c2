"""An invented archive that tells a whole story, for the tests of the dashboard.

A blue estate whose valve moves while no gas follows. Written through the recorder's own
``Archive``; the numbers are made up to be drawn, not to be judged.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sootsayer import clock
from sootsayer.model import (
    Alert,
    AlertState,
    Anchor,
    Batch,
    Cause,
    Changes,
    Check,
    Episode,
    Gap,
    Link,
    LinkFinding,
    LinkState,
    Opening,
    Scaling,
    Series,
    Trip,
    Verdict,
)
from sootsayer.store.archive import Archive

MINUTE_MS = 60_000
DAY_MS = 86_400_000
PERCENT = Scaling("percent", 100 / 255, 0.0, "%")
SCALINGS = {
    "rpm": Scaling("rpm", 0.25, 0.0, "rpm"),
    "map": Scaling("kpa", 1.0, 0.0, "kPa"),
    "maf": Scaling("maf", 0.01, 0.0, "g/s"),
    "tp": PERCENT,
    "vss": Scaling("kmh", 1.0, 0.0, "km/h"),
    "ect": Scaling("celsius", 1.0, -40.0, "°C"),
    "egr_pct": PERCENT,
    "egr_err": Scaling("error", 100 / 128, -100.0, "%"),
}
TITLE = "Hardly any gas although the valve opened"


@dataclass(frozen=True)
class Story:
    """Where the archive lies and the moments that tests ask for. Log time is wall time here."""

    path: Path
    now_ms: int
    first_alert_ms: int


def readings(start_ms: int, end_ms: int, step_ms: int = 500) -> tuple[Series, ...]:
    """A drive in which the valve opens for 40 s of every 100 s."""
    t_ms = np.arange(start_ms + step_ms, end_ms + 1, step_ms, dtype=np.int64)
    s = (t_ms - t_ms[0]) / 1000
    is_open = (t_ms // 1000 % 100 >= 30) & (t_ms // 1000 % 100 < 70)
    asked = np.where(is_open, 30 + 6 * np.sin(s / 9), 0)
    values = {
        "rpm": 1900 + 250 * np.sin(s / 37) + 12 * np.sin(s * 3),
        "map": 46 + 6 * np.sin(s / 31) + np.where(is_open, 0.6, 0),
        "maf": 14 + 2.5 * np.sin(s / 31),
        "tp": 24 + 5 * np.sin(s / 31),
        "vss": 78 + 12 * np.sin(s / 37),
        "ect": np.full(len(s), 89.0),
        "egr_pct": asked,
        "egr_err": np.where(is_open, 3 * np.sin(s), 0),
    }
    return tuple(
        Series(name, SCALINGS[name], t_ms, _raw(column, SCALINGS[name]))
        for name, column in values.items()
    )


def _raw(values: Any, scaling: Scaling) -> Any:
    return np.rint((values - scaling.offset) / scaling.scale).astype(np.int64)


def alert(
    first_ms: int, last_ms: int, *, rule: str = "F1", state: AlertState = AlertState.OPEN,
    **changed: Any,
) -> Alert:  # fmt: skip
    told: dict[str, Any] = {
        "rule": rule, "link": Link.FLOW, "state": state, "first_ms": first_ms,
        "raised_ms": first_ms + 5 * MINUTE_MS, "last_ms": last_ms,
        "cleared_ms": None if state is AlertState.OPEN else last_ms + MINUTE_MS,
        "seen": 37, "chances": 41, "eligible_s": 11_520.0, "measure": 0.91, "limit": 0.5,
        "unit": "of the flow due", "title": TITLE,
        "text": "On 37 of 41 openings more than 85 % of the exhaust that was due did not come: "
        "0.3 ± 0.4 g/s where 2.9 g/s were due.",
        "channels": ("egr_pct", "map", "maf", "rpm"),
    }  # fmt: skip
    return Alert(**(told | changed))


def verdict(now_ms: int, alerts: tuple[Alert, ...] = (), **changed: Any) -> Verdict:
    told: dict[str, Any] = {
        "t_ms": now_ms, "vehicle": "Blue estate, 2.4 litre", "start_ms": now_ms - 4 * DAY_MS,
        "end_ms": now_ms, "engine_s": 27_840.0, "trips": 11,
        "sentence": "The valve moves, but the gas does not follow.",
        "why": "On 37 of 41 openings since Friday more than 85 % of the exhaust that was due did "
        "not come, and the four good ones were all on a cold passage.",
        "links": (
            LinkFinding(Link.PERMIT, LinkState.HOLDING, 46, 0, 15_100.0,
                        "given in 46 % of warm driving"),
            LinkFinding(Link.ASK, LinkState.HOLDING, 41, 0, 15_100.0, "41 openings, up to 38 %"),
            LinkFinding(Link.MOVE, LinkState.HOLDING, 41, 0, 11_520.0,
                        "follows in 0.6 s, shuts fully"),
            LinkFinding(Link.FLOW, LinkState.BROKEN, 41, 37, 11_520.0,
                        "0.3 ± 0.4 g/s where 2.9 g/s are due", ("gas balance", "pressure step")),
            LinkFinding(Link.EFFECT, LinkState.DOUBTFUL, 9, 6, 2_400.0,
                        "spark pulled 3.1° more on hills"),
        ),
        "alerts": alerts,
        "causes": (
            Cause("passage_choked", "Passage choked with carbon", 0.78,
                  ("movement without flow", "flow fell week by week"), ()),
            Cause("position_sensor", "Position sensor reads movement that is not there", 0.13,
                  (), ("shut position still exact",)),
            Cause("feed_pipe", "Exhaust feed pipe cracked or blocked", 0.06, (),
                  ("no sign of extra air in the trims",)),
            Cause("none", "None of these", 0.03, (), ()),
        ),
        "next_check": Check(
            "open_by_hand", "Open the valve by hand at warm idle",
            "Engine warm and idling in park. Press the stem up with a tool, never a finger.",
            "blunt tool, heat-proof gloves", 5.0,
            (("Engine stumbles", "the passage is open; suspect the sensor"),
             ("No change", "the passage is choked")),
            ("Parts near the valve are hot enough to burn.",
             "Keep hands, hair and clothes clear of fan and belts.",
             "Exhaust kills: work outdoors or with the exhaust led away."), 0.9,
        ),
        "circumstances": ("Only above 84 °C coolant: 37 of 37 against 0 of 4.",),
        "sure": ("Flow fails on 77 to 97 % of openings (95 %, Clopper–Pearson).",),
        "learned": {"gain_g_s": 9.8},
        "repairs": ("Hardly any gas although the valve opened: 31 of 40 openings before “hose "
                    "renewed”, 3 of 3 since. Unchanged.",),
        "notes": ("The car tells no spark retard of single cylinders.",),
    }  # fmt: skip
    return Verdict(**(told | changed))


def health(now_ms: int, **changed: Any) -> dict[str, Any]:
    told: dict[str, Any] = {
        "state": "reading", "reason": "", "since_ms": now_ms - 31 * MINUTE_MS,
        "readings_per_s": {"adapter": 41.2}, "version": "0.1.0", "restarts": 2,
        "counters": {"replies": 128_410, "timeouts": 12, "garbled_replies": 3},
        "port": "/dev/sootsayer-adapter", "commit_s": 2.0, "last_reading_ms": now_ms,
        "board_temp_c": 51.4, "disk_free_bytes": 18_400_000_000,
    }  # fmt: skip
    return told | changed


def openings(start_ms: int, end_ms: int) -> tuple[Opening, ...]:
    """The openings of :func:`readings`, with next to no gas."""
    found = []
    begin_ms = start_ms // 100_000 * 100_000 + 30_000
    while begin_ms + 40_000 < end_ms:
        if begin_ms > start_ms:
            number = begin_ms // 100_000 % 1_000_000
            flow = 0.3 + 0.2 * math.sin(number)
            found.append(
                Opening(number, 11, begin_ms, begin_ms + 40_000, 31.0, 30.6, flow, 0.2, 2.9,
                        1.6, 1.1, 0.5, 0.3, 4.8)
            )  # fmt: skip
        begin_ms += 100_000
    return tuple(found)


def episodes(first_ms: int, last_ms: int, count: int = 41, rule: str = "F1") -> tuple[Episode, ...]:
    """Evenly spread chances, four of them good, the last one inside the newest drive."""
    starts = np.linspace(first_ms, last_ms - 40_000, count).astype(np.int64)
    starts = starts // 100_000 * 100_000 + 30_000
    good = {2, 3, 11, 12}
    return tuple(
        Episode(rule, int(start), int(start) + 40_000, i not in good,
                0.2 if i in good else 0.88 + 0.08 * math.sin(i),
                "2.4 ± 0.4 g/s where 2.9 g/s are due" if i in good
                else "0.3 ± 0.4 g/s where 2.9 g/s are due")
        for i, start in enumerate(starts)
    )  # fmt: skip


def tell(path: Path, *, minutes: int = 40) -> tuple[Archive, Story]:
    """The story written up to now, and the archive still open for what comes next."""
    now_ms = clock.wall_ms()
    drive_ms = now_ms - minutes * MINUTE_MS
    first_ms, last_ms = now_ms - 4 * DAY_MS, now_ms - 3 * MINUTE_MS
    archive = Archive.open(path)
    archive.anchor(Anchor(first_ms, first_ms, True, "ntp"))
    archive.append(Batch(first_ms + 20 * MINUTE_MS, readings(first_ms, first_ms + 20 * MINUTE_MS)))
    archive.commit()
    archive.begin_boot(clock.boot_id(), clock.boottime_ms() - minutes * MINUTE_MS, drive_ms, True)
    archive.append(Batch(now_ms, readings(drive_ms + 1000, now_ms)))
    archive.gap(Gap(first_ms + 20 * MINUTE_MS, drive_ms, "key off"))
    archive.anchor(Anchor(now_ms - 20 * MINUTE_MS, now_ms - 20 * MINUTE_MS, True, "ntp"))
    alerts = _alerts(now_ms, first_ms, last_ms)
    told = episodes(now_ms - 38 * MINUTE_MS, last_ms, 22)
    old = episodes(first_ms, first_ms + 18 * MINUTE_MS, 19)
    archive.apply(
        Changes(
            alerts=alerts,
            episodes=old + told,
            trips=(
                Trip(10, first_ms, first_ms + 20 * MINUTE_MS, False, 1200.0, 22.4, 12),
                Trip(11, drive_ms, now_ms, True, 31 * 60.0, 38.2, 22),
            ),
            openings=openings(drive_ms, now_ms),
            verdict=verdict(now_ms, alerts),
        )
    )
    archive.put_state("health", health(now_ms))
    archive.commit()
    return archive, Story(path, now_ms, first_ms)


def _alerts(now_ms: int, first_ms: int, last_ms: int) -> tuple[Alert, ...]:
    return (
        alert(first_ms, last_ms),
        alert(
            now_ms - 2 * DAY_MS, now_ms - 9 * MINUTE_MS, rule="E2", link=Link.EFFECT, seen=6,
            chances=9, measure=52.0, limit=35.0, unit="rpm", channels=("rpm",),
            title="Idle unsteady when warm", text="On 6 of 9 warm stops the idle swung by 52 rpm.",
            doubt="Too few warm stops since yesterday to keep or drop it.",
        ),
        alert(
            now_ms - 3 * DAY_MS, now_ms - DAY_MS, rule="C1", seen=1, chances=1, measure=1.0,
            limit=1.0, unit="", channels=(), state=AlertState.CLEARED,
            title="Code P0401 stored as pending", text="P0401 was pending on one trip.",
        ),
        alert(
            now_ms - 3 * DAY_MS, now_ms - 2 * DAY_MS, rule="R1", link=None, seen=1, chances=1,
            measure=300.0, limit=60.0, unit="s", channels=(), state=AlertState.CLEARED,
            title="A gap in the recording", text="Nothing was read for 5 min while driving.",
        ),
    )  # fmt: skip
