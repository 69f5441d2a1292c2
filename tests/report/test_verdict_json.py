"""The pinned shape of ``judge --json``, as the design gives it."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from sootsayer.model import Anchor, Verdict
from sootsayer.report.verdict_json import verdict_json
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader

START = 1_764_000_000_000
PINNED = {
    "": ("vehicle", "span", "links", "alerts", "causes", "next_check", "circumstances", "sure"),
    "span": ("start", "end", "engine_s", "trips"),
    "links": ("link", "state", "chances", "failed", "eligible_s", "fact"),
    "alerts": (
        "rule", "link", "state", "first", "last", "seen", "chances", "measure", "limit", "text",
    ),
    "causes": ("cause", "weight", "for", "against"),
}  # fmt: skip


def test_every_pinned_key_is_there(verdict: Verdict) -> None:
    form = verdict_json(verdict, lambda t_ms: t_ms)
    assert set(PINNED[""]) <= set(form)
    assert set(PINNED["span"]) <= set(form["span"])
    for name in ("links", "alerts", "causes"):
        assert form[name]
        for item in form[name]:
            assert set(PINNED[name]) <= set(item)


def test_it_says_what_the_verdict_says(verdict: Verdict) -> None:
    form = json.loads(json.dumps(verdict_json(verdict, lambda t_ms: t_ms), allow_nan=False))
    assert form["vehicle"] == "Blue estate"
    assert form["span"]["start"] == "2025-11-24T16:00:00.000Z"
    assert form["span"]["end"] == "2025-11-24T16:01:40.500Z"
    (link,) = form["links"]
    assert (link["link"], link["state"], link["failed"]) == ("flow", "broken", 3)
    (alert,) = form["alerts"]
    assert alert["first"] == "2025-11-24T16:01:30.000Z"
    assert alert["first_ms"] == START + 90_000
    assert alert["cleared"] is alert["cleared_ms"] is None
    (cause,) = form["causes"]
    assert (cause["cause"], cause["for"], cause["against"]) == ("choked", ["hot only"], [])
    assert form["next_check"]["outcomes"] == [{"if": "soot", "means": "choked"}]
    assert form["learned"] == {"displacement_l": 2.4}
    assert form["sentence"] == verdict.sentence


def test_the_wall_clock_dresses_every_time(verdict: Verdict) -> None:
    form = verdict_json(verdict, lambda t_ms: t_ms - START)
    assert form["span"]["start"] == "1970-01-01T00:00:00.000Z"
    assert form["alerts"][0]["first"] == "1970-01-01T00:01:30.000Z"
    assert form["alerts"][0]["first_ms"] == START + 90_000


def test_without_a_check_there_is_none(verdict: Verdict) -> None:
    assert verdict_json(replace(verdict, next_check=None), lambda t: t)["next_check"] is None


def test_the_archive_gives_the_same_form_and_a_later_clock_corrects_it(
    recording: Path, verdict: Verdict
) -> None:
    with ArchiveReader(recording) as reader:
        assert reader.last_verdict() == verdict
        assert reader.verdict() == verdict_json(verdict, lambda t_ms: t_ms)
    with Archive.open(recording) as archive:
        archive.anchor(Anchor(START + 200_000, START + 86_600_000, True, "phone"))
    with ArchiveReader(recording) as reader:
        shown = reader.verdict()
    assert shown is not None
    assert shown["span"]["start"] == "2025-11-25T16:00:00.000Z"
