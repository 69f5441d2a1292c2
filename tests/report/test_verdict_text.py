"""The verdict for a terminal: everything that is known is said, in lines that fit."""

from __future__ import annotations

import dataclasses

import pytest

from sootsayer.model import (
    Alert,
    AlertState,
    Cause,
    Check,
    Link,
    LinkFinding,
    LinkState,
    Verdict,
)
from sootsayer.report.verdict_json import verdict_json
from sootsayer.report.verdict_text import WIDTH, verdict_text

NOON_MS = 1_795_521_600_000  # date -u -d @1795521600: 2026-11-24 12:00:00

ALERT = Alert(
    rule="F1", link=Link.FLOW, state=AlertState.OPEN, first_ms=NOON_MS, raised_ms=NOON_MS + 60_000,
    last_ms=NOON_MS + 3_600_000, cleared_ms=None, seen=9, chances=12, eligible_s=840.0,
    measure=0.75, limit=0.4, unit="", title="Hardly any gas although the valve opened",
    text="In 9 of 12 openings less than a third of the due gas came.", channels=("map",),
)  # fmt: skip
VERDICT = Verdict(
    t_ms=NOON_MS, vehicle="blue estate car", start_ms=NOON_MS - 86_400_000, end_ms=NOON_MS,
    engine_s=7200.0, trips=1, sentence="No gas comes although the valve opens.",
    why="The valve moved in 12 of 12 openings, and gas came in 3.",
    links=(
        LinkFinding(Link.MOVE, LinkState.HOLDING, 12, 0, 840.0, "moved each time " * 6),
        LinkFinding(Link.EFFECT, LinkState.UNSEEN, 0, 0, 0.0, "this car does not show it"),
    ),
    alerts=(ALERT,),
    causes=(Cause("passage_choked", "Passage choked", 0.62, ("moves", "no gas"), ("rare",)),),
    next_check=Check("x", "Open by hand", "Open it at warm idle.", "vacuum pump", 5.0,
                     (("the engine stumbles", "the passage is open"),), ("It is hot.",), 0.9),
    circumstances=("Only above 85 °C.",), sure=("Twelve openings.",), learned={},
    notes=("The vehicle file says metering = maf, the car shows both.",),
)  # fmt: skip


def text_of(verdict: Verdict) -> str:
    return verdict_text(verdict_json(verdict, lambda t_ms: t_ms))


def test_the_sentence_comes_first() -> None:
    assert text_of(VERDICT).startswith("No gas comes although the valve opens.\n")


@pytest.mark.parametrize(
    "said",
    [
        "blue estate car: 1 trip, 2.0 h of running engine, from 2026-11-23 12:00 to 2026-11-24",
        "move    holding   0 of 12 failed",
        "effect  unseen",
        "Alert F1, open: In 9 of 12 openings",
        "seen 9 of 12 chances, first 2026-11-24 12:00, last 2026-11-24 13:00",
        " 62 %  Passage choked",
        "for: moves; no gas",
        "against: rare",
        "Do this next: Open by hand (5 min)",
        "Tools: vacuum pump",
        "the engine stumbles: the passage is open",
        "Caution: It is hot.",
        "Only above 85 °C.",
        "Twelve openings.",
        "Note: The vehicle file says metering = maf, the car shows both.",
    ],
)
def test_nothing_known_is_left_out(said: str) -> None:
    words = " ".join(text_of(VERDICT).split())  # wherever the lines were broken
    assert " ".join(said.split()) in words


def test_lines_fit_a_terminal() -> None:
    assert max(len(line) for line in text_of(VERDICT).splitlines()) <= WIDTH


def test_a_verdict_without_findings_says_so() -> None:
    nothing = dataclasses.replace(
        VERDICT, alerts=(), causes=(), next_check=None, circumstances=(), sure=(), notes=()
    )
    text = text_of(nothing)
    assert "No alerts." in text
    assert "Do this next" not in text and "What would explain it" not in text
