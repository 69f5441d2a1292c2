"""The first day: what a new install is waiting for, and how long a first verdict takes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sootsayer.model import Link, LinkState, SourceState
from sootsayer_web.limits import Limits
from sootsayer_web.recorder import NO_ARCHIVE, STOPPED

ADAPTER_ANSWERS = {SourceState.READING, SourceState.SILENT, SourceState.KEY_OFF}


def is_first_day(verdict: Mapping[str, Any], limits: Limits) -> bool:
    """No link seen yet, and too little engine time to say that this car cannot show any."""
    seen = any(link["state"] != LinkState.UNSEEN for link in verdict["links"])
    running_s = verdict["span"]["engine_s"] if verdict["span"] else 0.0
    return not seen and running_s < limits.first_hours * 3600


def first_steps(recorder: Mapping[str, Any], verdict: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The way to a first verdict: each step with whether it is done and what to know of it."""
    links = {link["link"]: link for link in verdict["links"]}
    has_readings = recorder["last_reading"] is not None
    return [
        _step(
            "The recorder writes",
            recorder["state"] not in (NO_ARCHIVE, STOPPED),
            "It starts with the small computer, within a minute of power.",
        ),
        _step(
            "The adapter answers",
            has_readings or recorder["state"] in ADAPTER_ANSWERS,
            "Plug it into the diagnostic socket. A blinking light on it is a good sign.",
        ),
        _step(
            "The car gives readings",
            has_readings,
            "Switch the key on or start the engine. Readings come within a few seconds.",
        ),
        _step(
            "The valve has been asked open",
            links[Link.ASK]["chances"] > 0,
            "This needs a warm engine and steady driving: usually ten minutes after the start.",
        ),
        _step(
            "Enough has been seen for a first verdict",
            False,
            "On movement after about five openings, which is one warm drive of half an hour. "
            "On flow after two or three such drives, because the engine with the valve shut "
            "must be learned first.",
        ),
    ]


def _step(title: str, done: bool, says: str) -> dict[str, Any]:
    return {"title": title, "done": done, "says": says}
