"""Listening to another tester: its questions and the car's answers, and not one frame of ours.

Sans-I/O: frames in, events out. A reply becomes readings only if it is whole and belongs to a
question that was heard shortly before; where no question can be heard at all (a gateway that
passes on replies only) being whole must do.
"""

from __future__ import annotations

from collections import Counter, deque

from sootsayer.model import Identity, SourceEvent
from sootsayer.protocol.decode import USUAL_ENGINE_UNITS, ReplyDecoder
from sootsayer.protocol.isotp import Reassembler
from sootsayer.sources.can_addresses import is_reply, is_request, unit_name
from sootsayer.sources.can_replies import NEGATIVE, fits, is_whole
from sootsayer.sources.can_uds import failure_types, j1979_reply, j1979_request

HEARD_MS = 6_000  # a question is open for so long: 5 s after "pending", and a little
MOST_HEARD = 16
ENGINE_WITHIN_MS = 10_000  # a tester that is used for looking asks for engine speed by then


class Listener:
    """``feed`` every frame of the bus."""

    def __init__(self, decoder: ReplyDecoder) -> None:
        self.decoder = decoder
        self._reassembler = Reassembler()
        self._heard: deque[tuple[int, bytes, bool]] = deque(maxlen=MOST_HEARD)
        self._first_ms: int | None = None
        self._own: Counter[str] = Counter()

    @property
    def counters(self) -> Counter[str]:
        faults = Counter({str(fault): n for fault, n in self._reassembler.faults.items()})
        return self.decoder.counters + faults + self._own

    def feed(self, t_ms: int, address: int, extended: bool, content: bytes) -> list[SourceEvent]:
        """The events of one frame."""
        if is_reply(address, extended):
            unit = unit_name(address, extended)
            payload = self._reassembler.feed(unit, content, t_ms)
            return [] if payload is None else self._reply(t_ms, unit, payload)
        if is_request(address, extended):
            self._request(t_ms, content)
        return []

    def _request(self, t_ms: int, content: bytes) -> None:
        length = content[0] if content else 0
        if not 0 < length < len(content):
            return  # flow control, or a request longer than any of ours
        payload = content[1 : 1 + length]
        self._own["requests of another tester"] += 1
        as_j1979 = j1979_request(payload)
        self._heard.appendleft((t_ms, as_j1979 or payload, as_j1979 is not None))

    def _reply(self, t_ms: int, unit: str, payload: bytes) -> list[SourceEvent]:
        found = self._matched(t_ms, unit, payload)
        if found is None:
            self._own["reply that fits no request"] += 1
            return []
        if self._first_ms is None:
            self._first_ms = t_ms
        if self._might_take_a_name(t_ms, unit):
            self._own["reply before the engine's own"] += 1
            return []
        events = self.decoder.feed(t_ms, unit, found)
        for code, kind in failure_types(payload):
            events.append(Identity(t_ms, unit, f"failure type {code}", kind))
        return events

    def _might_take_a_name(self, t_ms: int, unit: str) -> bool:
        """In the beginning another unit could pass for the engine's; its replies come again."""
        if self.decoder.engine_unit is not None or unit in USUAL_ENGINE_UNITS:
            return False
        return self._first_ms is not None and t_ms - self._first_ms < ENGINE_WITHIN_MS

    def _matched(self, t_ms: int, unit: str, payload: bytes) -> bytes | None:
        """The reply in the form of J1979 if it may be believed."""
        state = self.decoder.state(unit)
        open_requests = [one for one in self._heard if t_ms - one[0] <= HEARD_MS]
        for _, request, uds in open_requests:
            turned = j1979_reply(request, payload) if uds else payload
            if turned is not None and fits(request, turned, state.supported, state.limits):
                return turned
        believed = not open_requests and payload[:1] != bytes((NEGATIVE,))
        return payload if believed and is_whole(payload, state.limits) else None
