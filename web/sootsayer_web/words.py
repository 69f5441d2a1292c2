"""How figures, states and links are said on a page. Filters for the templates."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from markupsafe import Markup

from sootsayer.model import AlertState, Link, LinkState
from sootsayer.units import say_duration
from sootsayer_web.moments import iso, say_clock, say_moment

QUESTIONS = {
    Link.PERMIT: "was it allowed?",
    Link.ASK: "was it asked for?",
    Link.MOVE: "did the valve move?",
    Link.FLOW: "did gas flow?",
    Link.EFFECT: "did the engine feel it?",
}
LINK_WORDS = {
    LinkState.HOLDING: "holding",
    LinkState.DOUBTFUL: "doubtful",
    LinkState.BROKEN: "broken",
    LinkState.UNSEEN: "not seen yet",
}
ALERT_WORDS = {AlertState.OPEN: "open", AlertState.CLEARED: "cleared"}
DASH = "–"


def say_figure(value: object, unit: str = "") -> str:
    """A figure with three digits that count, and its unit; a dash where there is none."""
    if not isinstance(value, int | float) or isinstance(value, bool):
        return DASH
    if isinstance(value, int) or (value == int(value) and abs(value) < 1e9):
        text = f"{int(value):,}".replace(",", "\u202f")
    elif abs(value) >= 100:
        text = f"{value:,.0f}".replace(",", "\u202f")
    else:
        text = f"{value:.3g}"
        text = f"{float(text):.6f}".rstrip("0").rstrip(".") if "e" in text else text
    text = text.replace("-", "−")
    return f"{text}\u00a0{unit}" if unit else text


def say_bytes(count: object) -> str:
    """A size in the largest unit that leaves a figure above one."""
    if not isinstance(count, int | float):
        return DASH
    size = float(count)
    for unit in ("byte", "kB", "MB"):
        if size < 1000:
            return f"{size:.0f}\u00a0{unit}" if unit == "byte" else say_figure(size, unit)
        size /= 1000
    return say_figure(size, "GB")


def say_percent(share: float) -> str:
    """0.78 → "78 %"; what is not nothing never reads as nothing."""
    percent = round(share * 100)
    return "<1\u00a0%" if percent == 0 and share > 0 else f"{percent}\u00a0%"


def say_often(seen: int, chances: int) -> str:
    """How often: "37 of 41 chances", "once"."""
    if chances <= 1 and seen <= 1:
        return "once"
    return f"{seen} of {chances} chances"


def say_exposure(link: Mapping[str, Any]) -> str:
    """How much a link was watched: never a state without this beside it."""
    watched = say_duration(link["eligible_s"])
    if not link["chances"]:
        return f"watched {watched}" if link["eligible_s"] else "no chance to see it yet"
    failed = f"failed {link['failed']} of" if link["failed"] else "all"
    noun = "chance" if link["chances"] == 1 else "chances"
    if not link["failed"] and link["state"] == LinkState.UNSEEN:
        failed = "only"
    chances = f"{failed} {link['chances']} {noun}"
    good = " good" if failed == "all" else ""
    return f"{chances}{good}, watched {watched}" if link["eligible_s"] else f"{chances}{good}"


def say_correction(by_s: float) -> str:
    """How a clock was moved: "77 h forward", "3.2 s back", "nothing" below a tenth of a second."""
    if abs(by_s) < 0.1:
        return "nothing"
    length = say_duration(abs(by_s)) if abs(by_s) >= 90 else say_figure(abs(by_s), "s")
    return f"{length} {'forward' if by_s > 0 else 'back'}"


def sentence_of(text: str) -> str:
    """A reason as a sentence: first letter large, a full stop at the end, the rest as it is."""
    sentence = text[:1].upper() + text[1:]
    return sentence if sentence.endswith((".", "?", "!")) else f"{sentence}."


def moment(text: str | None) -> Markup:
    """A time element: UTC for everybody, put into the reader's own zone by the page's script."""
    if not text:
        return Markup(DASH)
    wall_ms = round(datetime.fromisoformat(text).timestamp() * 1000)
    return Markup('<time datetime="{}">{}</time>').format(text, say_moment(wall_ms))


def clock_moment(text: str) -> Markup:
    """A moment that the script shows to the second when it is of today."""
    return Markup(str(moment(text)).replace("<time ", '<time data-show="clock" ', 1))


def clock_time(wall_ms: int) -> Markup:
    """The same to the second, for rows that lie close together."""
    return Markup('<time datetime="{}" data-show="clock">{}</time>').format(
        iso(wall_ms), say_clock(wall_ms)
    )


FILTERS = {
    "clock_time": clock_time,
    "clock_moment": clock_moment,
    "figure": say_figure,
    "bytes": say_bytes,
    "percent": say_percent,
    "exposure": say_exposure,
    "correction": say_correction,
    "duration": say_duration,
    "moment": moment,
    "sentence_of": sentence_of,
}
