from __future__ import annotations

import json
import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest

from sootsayer import clock
from sootsayer.clock import Deadline
from sootsayer.model import Changes
from sootsayer.store.archive import Archive
from sootsayer_web import create_app
from sootsayer_web.limits import Limits
from sootsayer_web.live import HEARTBEAT, Watch, event_stream
from sootsayer_web.records import Records
from web_story import alert, health, tell, verdict

NEVER = threading.Event()


@pytest.fixture
def told(tmp_path: Path) -> Iterator[tuple[Archive, Path, int]]:
    """The story's archive, its path and the moment up to which it is told."""
    archive, story = tell(tmp_path / "archive.db", minutes=12)
    yield archive, story.path, story.now_ms
    archive.close()


def stream_of(path: Path, limits: Limits) -> Iterator[str]:
    watch = Watch(Records(path), limits)
    return event_stream(watch, limits, lambda: False, NEVER)


def events(text: str) -> dict[str, Any]:
    name, mark, data = text.strip().split("\n", 2)
    assert mark.startswith("id: ")
    return {name.removeprefix("event: "): json.loads(data.removeprefix("data: "))}


def collect(stream: Iterator[str], until: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
    """Events from the stream until they satisfy; fails after five seconds."""
    seen: dict[str, Any] = {}
    deadline = Deadline(5)
    for text in stream:
        assert not deadline.passed(), f"only {sorted(seen)} came"
        if text.startswith("event"):
            seen |= events(text)
        if until(seen):
            return seen
    raise AssertionError(f"the stream ended after {sorted(seen)}")


def test_all_is_told_at_once(told: tuple[Archive, Path, int], quick: Limits) -> None:
    stream = stream_of(told[1], quick)
    assert next(stream).startswith("retry: ")
    seen = collect(stream, lambda seen: len(seen) == 4)
    assert set(seen) == {"now", "alerts", "health", "readings"}
    client = create_app(told[1]).test_client()
    assert seen["alerts"] == client.get("/api/v1/alerts").get_json()


def test_a_commit_is_told_and_nothing_else(told: tuple[Archive, Path, int], quick: Limits) -> None:
    archive, path, _ = told
    stream = stream_of(path, quick)
    collect(stream, lambda seen: len(seen) == 4)
    assert next(stream) == HEARTBEAT  # nothing has changed since
    now_ms = clock.wall_ms()
    fresh = alert(now_ms - 60_000, now_ms, rule="M2", title="Does not shut")
    archive.apply(Changes(alerts=(fresh,), verdict=verdict(now_ms, sentence="It does not shut.")))
    archive.commit()
    seen = collect(stream, lambda seen: {"now", "alerts"} <= set(seen))
    assert seen["now"]["sentence"] == "It does not shut."
    assert seen["alerts"]["alerts"][0]["title"] == "Does not shut"


def test_a_reading_alone_is_no_news_of_the_verdict(
    told: tuple[Archive, Path, int], quick: Limits
) -> None:
    archive, path, now_ms = told
    stream = stream_of(path, quick)
    collect(stream, lambda seen: len(seen) == 4)
    archive.put_state("health", health(now_ms, last_reading_ms=now_ms + 2000))
    archive.commit()
    seen = collect(stream, lambda seen: "readings" in seen and "health" in seen)
    assert "now" not in seen and "alerts" not in seen


def test_a_recorder_that_dies_is_told_though_nothing_is_committed(
    told: tuple[Archive, Path, int], quick: Limits
) -> None:
    path = told[1]
    stream = stream_of(path, quick)
    first = collect(stream, lambda seen: "now" in seen)
    assert first["now"]["recorder"]["state"] == "reading"
    long_ago_s = clock.wall_ms() / 1000 - 3600
    for file in path.parent.glob(f"{path.name}*"):
        os.utime(file, (long_ago_s, long_ago_s))
    seen = collect(stream, lambda seen: seen.get("now", {}).get("recorder", {}).get("state")
                   == "stopped")  # fmt: skip
    assert seen["now"]["recorder"]["since"]


def test_an_archive_that_goes_bad_is_told(tmp_path: Path, quick: Limits) -> None:
    path = tmp_path / "archive.db"
    path.write_bytes(b"not ours " * 100)
    seen = collect(stream_of(path, quick), lambda seen: "trouble" in seen)
    assert str(path) in seen["trouble"]["error"]


def test_the_stream_ends_when_it_is_old(told: tuple[Archive, Path, int], quick: Limits) -> None:
    assert list(stream_of(told[1], replace(quick, oldest_s=0.0))) == ["retry: 3000\n\n"]


def test_no_more_streams_than_there_are_threads_for(
    told: tuple[Archive, Path, int], quick: Limits
) -> None:
    app = create_app(told[1], limits=replace(quick, streams=2))
    first, second = (app.test_client().get("/api/v1/live") for _ in range(2))
    refused = app.test_client().get("/api/v1/live")
    assert refused.status_code == 503 and refused.headers["Retry-After"]
    assert "2 live pages are open" in refused.get_json()["error"]
    first.close()  # never read from: it must be given back all the same
    again = app.test_client().get("/api/v1/live")
    assert again.status_code == 200 and again.mimetype == "text/event-stream"
    again.close()
    second.close()


def test_over_the_wire_a_vanished_browser_gives_its_place_back(
    told: tuple[Archive, Path, int], serve_on: Callable[..., str], quick: Limits
) -> None:
    address = serve_on(told[1], replace(quick, streams=1))
    for _ in range(3):
        deadline = Deadline(5)
        while True:
            try:
                with urlopen(f"{address}/api/v1/live", timeout=5) as stream:
                    assert stream.readline().startswith(b"retry")
                break
            except OSError as refused:  # the place is not free yet
                assert not deadline.passed(), refused


def test_going_down_ends_open_streams(
    told: tuple[Archive, Path, int], serve_on: Callable[..., str]
) -> None:
    address = serve_on(told[1])
    stream = urlopen(f"{address}/api/v1/live", timeout=5)
    assert stream.readline().startswith(b"retry")
    # The fixture now takes the server down with the stream open, and fails if that takes long.
