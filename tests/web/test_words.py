from __future__ import annotations

import pytest

from sootsayer_web.words import (
    moment,
    say_bytes,
    say_correction,
    say_exposure,
    say_figure,
    say_often,
    say_percent,
    sentence_of,
)

NARROW, FIXED = "\u202f", "\u00a0"


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [(0.91, "", "0.91"), (2, "", "2"), (41.234, "", "41.2"), (0.0000123, "", "0.000012"),
     (57584, "", f"57{NARROW}584"), (-3.14159, "°", f"−3.14{FIXED}°"),
     (1234.56, "", f"1{NARROW}235"),
     (None, "kPa", "–"), ("", "", "–"), (True, "", "–")],
)  # fmt: skip
def test_figures_have_three_digits_that_count(value: object, unit: str, said: str) -> None:
    assert say_figure(value, unit) == said


@pytest.mark.parametrize(
    ("count", "said"),
    [(512, f"512{FIXED}byte"), (251_000, f"251{FIXED}kB"), (18.4e9, f"18.4{FIXED}GB"), (None, "–")],
)
def test_sizes(count: object, said: str) -> None:
    assert say_bytes(count) == said


def test_what_is_not_nothing_never_reads_as_nothing() -> None:
    assert say_percent(0.78) == f"78{FIXED}%"
    assert say_percent(0.001) == f"<1{FIXED}%"
    assert say_percent(0) == f"0{FIXED}%"


def test_how_often() -> None:
    assert say_often(37, 41) == "37 of 41 chances"
    assert say_often(1, 1) == "once"


@pytest.mark.parametrize(
    ("state", "chances", "failed", "eligible_s", "said"),
    [("broken", 41, 37, 11_520.0, "failed 37 of 41 chances, watched 3 h 12 min"),
     ("holding", 41, 0, 600.0, "all 41 chances good, watched 10 min"),
     ("unseen", 2, 0, 0.0, "only 2 chances"),
     ("unseen", 0, 0, 0.0, "no chance to see it yet"),
     ("holding", 0, 0, 720.0, "watched 12 min"),
     ("doubtful", 1, 1, 0.0, "failed 1 of 1 chance")],
)  # fmt: skip
def test_no_state_without_its_exposure(
    state: str, chances: int, failed: int, eligible_s: float, said: str
) -> None:
    link = {"state": state, "chances": chances, "failed": failed, "eligible_s": eligible_s}
    assert say_exposure(link) == said


def test_a_moment_can_be_read_without_a_script() -> None:
    said = moment("2026-11-24T07:49:00.000Z")
    assert said == '<time datetime="2026-11-24T07:49:00.000Z">24 Nov 07:49 UTC</time>'
    assert moment(None) == "–"


def test_a_reason_becomes_a_sentence() -> None:
    assert sentence_of("no such port /dev/x") == "No such port /dev/x."
    assert sentence_of("Is it on?") == "Is it on?"


@pytest.mark.parametrize(
    ("by_s", "said"),
    [(0.0, "nothing"), (-0.05, "nothing"), (3.2, "3.2\u00a0s forward"), (-42.0, "42\u00a0s back"),
     (7200.0, "2 h forward"), (-277_200.0, "77 h back")],
)  # fmt: skip
def test_how_a_clock_was_moved(by_s: float, said: str) -> None:
    assert say_correction(by_s) == said
