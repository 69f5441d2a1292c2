"""What a person may ask of a running recorder, over its socket: marks, repairs, the time."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Any

from sootsayer.clock import LogClock
from sootsayer.judge.handwork import check_event, repair_event
from sootsayer.live.clock_watch import ClockWatch, phone_time_ms
from sootsayer.live.health import Health
from sootsayer.live.holding import held
from sootsayer.live.intake import Asked, Intake
from sootsayer.model import Mark, SootsayerError
from sootsayer.store.writer import ArchiveWriter

log = logging.getLogger(__name__)

LONGEST_MARK = 500  # characters: a remark, not a diary
Answer = dict[str, Any] | SootsayerError


class Requests:
    """Answers in the thread that writes the archive; `sootsayer.control` lists the requests."""

    def __init__(
        self,
        archive: ArchiveWriter,
        clock: LogClock,
        clock_watch: ClockWatch,
        intake: Intake,
        health: Health,
    ) -> None:
        self._archive, self._clock, self._clock_watch = archive, clock, clock_watch
        self._intake, self._health = intake, health

    def handled(self, request: Mapping[str, Any]) -> Answer:
        try:
            match request["request"]:
                case "mark":
                    return self._mark(request)
                case "repair" | "found":
                    return self._work(request)
                case "clock":
                    return self._set_clock(request)
                case "hold":
                    return held(self._archive, request)
            return self._health.as_json(self._clock.now_ms())
        except SootsayerError as refusal:
            return refusal

    def _mark(self, request: Mapping[str, Any]) -> dict[str, Any]:
        text = request.get("text", "").strip()
        if not 0 < len(text) <= LONGEST_MARK:
            raise SootsayerError(f"a mark has 1 to {LONGEST_MARK} characters, this has {len(text)}")
        t_ms = self._clock.now_ms()
        self._archive.mark(Mark(t_ms, text, request.get("author", "")))
        return {"t_ms": t_ms}

    def _work(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """A repair or a hand check's outcome: an event like any other, kept and judged alike."""
        t_ms = self._clock.now_ms()
        if request["request"] == "repair":
            event = repair_event(t_ms, request.get("text", "")[:LONGEST_MARK])
        else:
            event = check_event(t_ms, request.get("check", ""), request.get("outcome", ""))
        self._intake.put("person", event)
        return {"t_ms": t_ms}

    def _set_clock(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """The phone's clock corrects this boot, unless a time server has set ours already."""
        ahead_ms, anchor = self._clock_watch.hear_phone(phone_time_ms(request.get("wall_ms", "")))
        if anchor is not None:
            log.info("wall clock told by a phone, %d s ahead: anchor kept", ahead_ms // 1000)
            self._archive.anchor(anchor)
        return {"ahead_ms": ahead_ms, "kept": anchor is not None}


def reply(asked: Asked, answer: Answer) -> None:
    if isinstance(answer, SootsayerError):
        asked.answer.set_exception(answer)
    else:
        asked.answer.set_result(answer)
