"""Live events: what changed in the archive since this page last heard of it."""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from sootsayer.clock import Deadline
from sootsayer.model import SootsayerError
from sootsayer_web.alerts import alerts_answer
from sootsayer_web.limits import Limits
from sootsayer_web.logger import health_answer
from sootsayer_web.now import now_answer
from sootsayer_web.recorder import recorder_answer
from sootsayer_web.records import Records

RETRY_MS = 3000  # a browser that lost the stream asks again after this long
HEARTBEAT = ": still here\n\n"


@dataclass(frozen=True, slots=True)
class Told:
    """One event: ``mark`` changes when it is news, ``text`` is what is sent."""

    mark: str
    text: str


class Watch:
    """Looks at the archive for all open streams together, so that ten pages cost one look."""

    def __init__(self, records: Records, limits: Limits) -> None:
        self._records = records
        self._limits = limits
        self._lock = threading.Lock()
        self._fresh: Deadline | None = None
        self._seen: tuple[object, ...] = ()
        self._events: dict[str, Told] = {}

    def look(self) -> dict[str, Told]:
        """The present events by name; looked up anew at most once in ``look_s``."""
        with self._lock:
            if self._fresh is None or self._fresh.passed():
                self._refresh()
                self._fresh = Deadline(self._limits.look_s)
            return self._events

    def _refresh(self) -> None:
        try:
            archive = self._records.open()
            recorder = recorder_answer(self._records, archive, self._limits)
            version = archive.reader.data_version() if archive else 0
            # A recorder that dies commits nothing, so its state is part of what is compared.
            seen = (archive and id(archive.reader), version, recorder["state"])
            if seen != self._seen:
                self._events = self._tell()
                self._seen = seen
        except SootsayerError as trouble:
            self._seen = ()
            self._events = {"trouble": _told({"error": str(trouble)})}
        finally:
            self._records.release()

    def _tell(self) -> dict[str, Told]:
        now = now_answer(self._records, self._limits)
        alerts = {"alerts": alerts_answer(self._records.open())}
        health = health_answer(self._records, self._limits)
        return {
            "now": Told(steady_mark(now), as_text(now)),
            "alerts": _told(alerts),
            "health": _told(health),
            "readings": _told({"last_reading": now["recorder"]["last_reading"]}),
        }


def steady_mark(now: dict[str, Any]) -> str:
    """Changes with the first page's news: all but the clock's advance, which comes as readings.

    A page carries the mark it was made with, so that a fresh one is not renewed at once.
    """
    recorder = {key: now["recorder"][key] for key in now["recorder"] if key != "last_reading"}
    recent = {key: now["recent"][key] for key in ("asked", "moved", "openings")}
    trip = now["trip"] and int(now["trip"]["running_s"] // 60)
    span = now["span"] and now["span"]["trips"]
    return mark_of(now | {"recorder": recorder, "recent": recent, "trip": trip, "span": span})


def mark_of(value: Any) -> str:
    """A short name for a value that any change changes."""
    return hashlib.blake2b(as_text(value).encode(), digest_size=8).hexdigest()


def as_text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True)


def _told(value: Any) -> Told:
    return Told(mark_of(value), as_text(value))


def event_stream(
    watch: Watch, limits: Limits, ended: Callable[[], bool], stop: threading.Event
) -> Iterator[str]:
    """Text of the stream until it has ``ended`` or its oldest age, when the browser asks anew.

    ``stop`` is what is waited on between two looks, so that going down takes no time.
    """
    yield f"retry: {RETRY_MS}\n\n"
    sent: dict[str, str] = {}
    oldest, heartbeat = Deadline(limits.oldest_s), Deadline(limits.heartbeat_s)
    while not ended() and not oldest.passed():
        news = [(name, told) for name, told in watch.look().items() if sent.get(name) != told.mark]
        for name, told in news:
            sent[name] = told.mark
            yield f"event: {name}\nid: {told.mark}\ndata: {told.text}\n\n"
        if not news and heartbeat.passed():
            yield HEARTBEAT
        if news or heartbeat.passed():
            heartbeat = Deadline(limits.heartbeat_s)
        stop.wait(limits.look_s)
