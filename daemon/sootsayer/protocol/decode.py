"""Whole replies of control units become events: the part that adapter and captures share.

A reply has the form it has on CAN; the codec of the older links (``older``) brings theirs into
it. Which control unit owns a plain channel id is settled by ``owners``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from sootsayer.model import (
    CodeSeen,
    CodesRead,
    CodeStatus,
    Identity,
    Reading,
    Sample,
    SourceEvent,
)
from sootsayer.protocol import monitor_tests, vehicle_words
from sootsayer.protocol.announced import FRESH, UnitState
from sootsayer.protocol.codes import code_text, codes_in
from sootsayer.protocol.j1979 import Trouble, decode_current
from sootsayer.protocol.owners import Owners, unit_order
from sootsayer.protocol.pids import LAYOUTS, SUPPORT_PIDS, channels_of
from sootsayer.protocol.template import Template, template_of

BITMAP_BYTES = 5  # of monitors: the number of the first, and 32 bits
MAX_UNITS = 16  # more senders than that is noise, not a car
MAX_TEMPLATES = 256  # shapes of replies remembered; a car has a few dozen
NEGATIVE = 0x7F
FREEZE, FREEZE_CODE = "freeze ", "freeze code"  # how identities of a freeze frame begin
BUSY, PENDING = 0x21, 0x78
STATUSES = {
    0x43: CodeStatus.CONFIRMED,
    0x47: CodeStatus.PENDING,
    0x4A: CodeStatus.PERMANENT,
}
# Where engine control units usually answer: CAN 11 bit, CAN 29 bit, older links.
USUAL_ENGINE_UNITS = frozenset({"7E8", "18DAF110", "10", "11"})


class ReplyDecoder:
    """Remembers what each control unit announced; gives events for each whole reply.

    ``counters`` tells by name how many replies were what: nothing that a car says raises.
    """

    def __init__(self, counters: Counter[str] | None = None) -> None:
        self.counters: Counter[str] = Counter() if counters is None else counters
        self._states: dict[str, UnitState] = {}
        self._owners = Owners(USUAL_ENGINE_UNITS, self.counters)
        self._told: dict[tuple[str, str], str] = {}
        self._templates: dict[tuple[str, int, bytes], Template] = {}

    # ------------------------------------------------------------ what is known

    @property
    def units(self) -> tuple[str, ...]:
        return tuple(sorted(self._states, key=unit_order))

    @property
    def engine_unit(self) -> str | None:
        """The control unit that gives engine speed, None before any did."""
        return self._owners.engine

    def state(self, unit: str) -> UnitState:
        return self._states.get(unit, FRESH)

    def supported(self, unit: str) -> frozenset[int]:
        """PIDs this unit announced, without the bitmaps themselves."""
        return self.state(unit).supported - SUPPORT_PIDS

    def adopt_names(self, scout: ReplyDecoder) -> None:
        """Take over whose each channel is from a decoder that read ahead."""
        self._owners.adopt(scout._owners)

    # ------------------------------------------------------------ replies

    def feed(self, t_ms: int, unit: str, payload: bytes) -> list[SourceEvent]:
        """The events of one whole reply, stamped ``t_ms``."""
        if not payload:
            return self._trouble(Trouble.EMPTY)
        if unit not in self._states:
            if len(self._states) >= MAX_UNITS:
                self.counters["too many control units"] += 1
                return []
            self._states[unit] = FRESH
        service = payload[0]
        if service == 0x41:
            return self._current(t_ms, unit, payload)
        if service in STATUSES:
            return self._codes(t_ms, unit, payload)
        match service:
            case 0x42:
                return self._freeze_frame(t_ms, unit, payload)
            case 0x46:
                return self._tests(t_ms, unit, payload[1:])
            case 0x49:
                return self._vehicle_words(t_ms, unit, payload)
            case 0x7F:
                return self._negative(payload)
        return self._trouble(Trouble.UNKNOWN_SERVICE)

    def _trouble(self, trouble: Trouble) -> list[SourceEvent]:
        self.counters[trouble] += 1
        return []

    def _negative(self, payload: bytes) -> list[SourceEvent]:
        reason = payload[2] if len(payload) > 2 else 0
        words = {BUSY: "refused: busy", PENDING: "refused: answer pending"}
        self.counters[words.get(reason, "refused")] += 1
        return []

    def _current(self, t_ms: int, unit: str, payload: bytes) -> list[SourceEvent]:
        before = self._states[unit]
        shape = (unit, len(payload), payload[1:2])
        template = self._templates.get(shape)
        if template is not None and template.limits is before.limits:
            samples = template.samples(payload)
            if samples is not None:
                return self._reading(t_ms, unit, samples)
        decoded = decode_current(payload, before)
        for trouble in decoded.troubles:
            self._trouble(trouble)
        self._states[unit] = decoded.state
        if decoded.samples and not decoded.troubles and len(self._templates) < MAX_TEMPLATES:
            template = template_of(payload, decoded.state.limits)
            if template is not None:
                self._templates[shape] = template
        events = self._reading(t_ms, unit, decoded.samples)
        if decoded.state.supported != before.supported:
            self._claim_supported(unit)
            pids = " ".join(f"{pid:02X}" for pid in sorted(self.supported(unit)))
            events.append(Identity(t_ms, unit, "supported", pids))
        return events

    def _codes(self, t_ms: int, unit: str, payload: bytes) -> list[SourceEvent]:
        status = STATUSES[payload[0]]
        codes = list(dict.fromkeys(codes_in(payload[2:])))
        if len(payload) < 2 or len(payload) - 2 != 2 * payload[1]:
            self._trouble(Trouble.TRUNCATED)
            if not codes:
                return []
        seen: list[SourceEvent] = [CodeSeen(t_ms, unit, code, status) for code in codes]
        return [*seen, CodesRead(t_ms, unit, status, len(codes))]

    def _freeze_frame(self, t_ms: int, unit: str, payload: bytes) -> list[SourceEvent]:
        """Values frozen when a code was set. They are of the past, so they are no readings."""
        body = bytearray((0x41,))
        at = 1
        while at + 2 < len(payload) and (layout := LAYOUTS.get(payload[at])) is not None:
            body.append(layout.pid)
            body += payload[at + 2 : at + 2 + layout.size]
            at += 2 + layout.size
        if payload[1:2] == b"\x02" and len(payload) == 5:
            return self._freeze_code(t_ms, unit, code_text(payload[3], payload[4]))
        if at != len(payload):
            return self._trouble(Trouble.TRUNCATED)
        events: list[SourceEvent] = []
        for sample in decode_current(bytes(body), self._states[unit]).samples:
            value = sample.raw * sample.scaling.scale + sample.scaling.offset
            words = f"{value:.6g} {sample.scaling.unit}".strip()
            events += self._say(t_ms, unit, FREEZE + sample.channel, words)
        return events

    def _freeze_code(self, t_ms: int, unit: str, code: str | None) -> list[SourceEvent]:
        """Another code, or none, means another frame: then all of it is told, equal or not."""
        if self._told.get((unit, FREEZE_CODE)) != code:
            for key in [one for one in self._told if one[0] == unit and one[1].startswith(FREEZE)]:
                del self._told[key]
        return self._say(t_ms, unit, FREEZE_CODE, code) if code else []

    def _tests(self, t_ms: int, unit: str, body: bytes) -> list[SourceEvent]:
        if len(body) == monitor_tests.OLDER_BYTES:
            return self._reading(t_ms, unit, monitor_tests.older_samples(body))
        samples, even = monitor_tests.test_samples(body)
        is_bitmap = len(body) == BITMAP_BYTES and body[0] % 0x20 == 0
        if not even and not is_bitmap:
            self._trouble(Trouble.TRUNCATED)
        return self._reading(t_ms, unit, samples)

    def _vehicle_words(self, t_ms: int, unit: str, payload: bytes) -> list[SourceEvent]:
        if len(payload) < 4:
            return self._trouble(Trouble.TRUNCATED)
        item, body = payload[1], payload[3:]
        events: list[SourceEvent] = []
        for key, text in vehicle_words.identities(item, body):
            events += self._say(t_ms, unit, key, text)
        return events + self._reading(t_ms, unit, vehicle_words.counters(item, body))

    def _say(self, t_ms: int, unit: str, key: str, value: str) -> list[SourceEvent]:
        """An identity, unless the unit said the same before."""
        if self._told.get((unit, key)) == value:
            return []
        self._told[unit, key] = value
        return [Identity(t_ms, unit, key, value)]

    # ------------------------------------------------------------ channel ids

    def _reading(self, t_ms: int, unit: str, samples: tuple[Sample, ...]) -> list[SourceEvent]:
        if not samples:
            return []
        return [Reading(t_ms, unit, self._owners.named(unit, samples))]

    def _claim_supported(self, unit: str) -> None:
        """A bitmap tells who will give what, before the first reading could take a wrong id."""
        for channel in _channels_of_all(self.supported(unit)):
            self._owners.claim(unit, channel)


def _channels_of_all(pids: Iterable[int]) -> list[str]:
    """Engine speed first, since it settles whose the others are."""
    channels = sorted({channel for pid in pids for channel in channels_of(pid)})
    return sorted(channels, key=lambda channel: channel != "rpm")
