"""SAE J1939 by listening: frames of heavy vehicles become events. Pure; sends nothing, ever.

A 29-bit identifier is priority, parameter group (PGN) and sender. The engine is node 00; what
another node says gets the suffix ``@`` and its address where the engine says it too.
Values above the valid range mean "error" or "not available" and are absent.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from sootsayer.model import CodeSeen, CodesRead, CodeStatus, Identity, Reading, Sample, SourceEvent
from sootsayer.protocol import j1939_codes
from sootsayer.protocol.j1939_codes import (
    CODE_MESSAGES,
    DM1,
    DM5,
    codes_in,
    lamps_in,
    readiness_in,
    tests_in,
)
from sootsayer.protocol.j1939_parameters import EEC1, PARAMETERS, Parameter
from sootsayer.protocol.j1939_transport import CONNECTION_PF, PACKET_PF, Transport
from sootsayer.protocol.owners import Owners

ENGINE_UNITS = frozenset({"00", "01"})  # preferred addresses of J1939-81: first and second engine
DIAGNOSTIC_PFS = frozenset({0xDA, 0xDB})  # ISO 15765: a tester's traffic, not J1939's
REPEAT_MS = 60_000  # the same codes, said every second, are told so often
MAX_TOLD = 1024  # things said that are remembered; bounds memory against noise
KNOWN_PGNS = frozenset(PARAMETERS) | frozenset(CODE_MESSAGES) | {DM5}
SIGNS = 2  # different groups that must be seen, unless engine speed is among them


def pgn_of(identifier: int) -> int:
    """The parameter group of a 29-bit identifier, without the receiver where it names one."""
    group = identifier >> 8 & 0x3FFFF
    return group & 0x3FF00 if group >> 8 & 0xFF < 240 else group


def looks_like_j1939(identifiers: Iterable[int]) -> bool:
    """Whether 29-bit traffic is J1939: engine speed's group, or two others that we know."""
    seen = {pgn_of(identifier) for identifier in identifiers} & KNOWN_PGNS
    return EEC1 in seen or len(seen) >= SIGNS


def values_in(parameters: tuple[Parameter, ...], body: bytes) -> tuple[Sample, ...]:
    """Samples of those parameters that the message holds and that are available."""
    samples: list[Sample] = []
    for parameter in parameters:
        end = parameter.start + parameter.size
        if end > len(body):
            continue
        raw = int.from_bytes(body[parameter.start : end], "little")
        if raw <= parameter.greatest:
            samples.append(Sample(parameter.channel, raw, parameter.scaling))
    return tuple(samples)


class J1939Decoder:
    """``feed`` every frame of the bus. Whatever is wrong is counted in ``counters``."""

    def __init__(self) -> None:
        self._own: Counter[str] = Counter()
        self._owners = Owners(ENGINE_UNITS, self._own)
        self._transport = Transport()
        self._codes: dict[tuple[str, int], tuple[str, ...]] = {}
        self._told: dict[tuple[str, object], tuple[int, object]] = {}

    @property
    def counters(self) -> Counter[str]:
        faults = {str(fault): count for fault, count in self._transport.faults.items()}
        return self._own + Counter(faults)

    def adopt_names(self, scout: J1939Decoder) -> None:
        """Take over whose each channel is from a decoder that read ahead."""
        self._owners.adopt(scout._owners)

    def feed(self, t_ms: int, address: int, extended: bool, body: bytes) -> list[SourceEvent]:
        """The events of one frame; frames with 11-bit addresses are none of J1939's."""
        if not extended:
            return []
        pf, receiver, sender = address >> 16 & 0xFF, address >> 8 & 0xFF, address & 0xFF
        if pf in DIAGNOSTIC_PFS:
            return []
        if pf == CONNECTION_PF:
            self._transport.control(t_ms, sender, receiver, body)
            return []
        if pf == PACKET_PF:
            whole = self._transport.packet(t_ms, sender, receiver, body)
            return [] if whole is None else self._message(t_ms, *whole, sender)
        return self._message(t_ms, pgn_of(address), body, sender)

    def _message(self, t_ms: int, pgn: int, body: bytes, sender: int) -> list[SourceEvent]:
        unit = f"{sender:02X}"
        parameters = PARAMETERS.get(pgn)
        if parameters is not None:
            return self._reading(t_ms, unit, values_in(parameters, body))
        if pgn in CODE_MESSAGES:
            return self._diagnosis(t_ms, unit, pgn, body)
        match pgn:
            case j1939_codes.DM5:
                return self._reading(t_ms, unit, self._when_new(t_ms, unit, readiness_in(body)))
            case j1939_codes.DM30:
                return self._reading(t_ms, unit, tests_in(body))
            case j1939_codes.VEHICLE_NUMBER:
                return self._vehicle_number(t_ms, unit, body)
        return []

    def _reading(self, t_ms: int, unit: str, samples: tuple[Sample, ...]) -> list[SourceEvent]:
        if not samples:
            return []
        return [Reading(t_ms, unit, self._owners.named(unit, samples))]

    # ------------------------------------------------------------ diagnostic messages

    def _diagnosis(self, t_ms: int, unit: str, pgn: int, body: bytes) -> list[SourceEvent]:
        if len(body) < 6:
            self._own["truncated diagnostic message"] += 1
            return []
        events: list[SourceEvent] = []
        if pgn == DM1:
            events += self._reading(t_ms, unit, self._when_new(t_ms, unit, lamps_in(body)))
        codes = codes_in(body)
        if not self._is_new(t_ms, unit, pgn, codes):
            return events
        self._codes[unit, pgn] = codes
        status = CODE_MESSAGES[pgn]
        events += [CodeSeen(t_ms, unit, code, status) for code in codes]
        return [*events, CodesRead(t_ms, unit, status, self._count(unit, status))]

    def _count(self, unit: str, status: CodeStatus) -> int:
        """Codes of this status in all the messages in which the unit tells such codes."""
        groups = [pgn for pgn, of in CODE_MESSAGES.items() if of is status]
        return len({code for pgn in groups for code in self._codes.get((unit, pgn), ())})

    def _vehicle_number(self, t_ms: int, unit: str, body: bytes) -> list[SourceEvent]:
        number = body.partition(b"*")[0].decode("ascii", "replace").strip("\0 ")
        if len(number) != 17 or not number.isalnum() or not self._is_new(t_ms, unit, "vin", number):
            return []
        return [Identity(t_ms, unit, "vin", number)]

    def _when_new(self, t_ms: int, unit: str, samples: tuple[Sample, ...]) -> tuple[Sample, ...]:
        """States said every second: each when it changes, and now and then."""
        return tuple(one for one in samples if self._is_new(t_ms, unit, one.channel, one.raw))

    def _is_new(self, t_ms: int, unit: str, what: object, content: object) -> bool:
        told = self._told.get((unit, what))
        if told is not None and told[1] == content and t_ms - told[0] < REPEAT_MS:
            return False
        if told is None and len(self._told) >= MAX_TOLD:
            self._own["too many nodes"] += 1
            return False
        self._told[unit, what] = (t_ms, content)
        return True
