"""Trouble codes: coding, names of the recirculation codes, and what a code speaks of.

Coding after SAE J2012. Names are our own words for the standard's meaning. Those marked "from
memory" were not found in any list we could open; a maker's page decides. Codes of the range
P1400 to P1499 belong to the maker and stay without a name.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from sootsayer.model import Link

FAMILIES = "PCBU"


def code_text(first: int, second: int) -> str | None:
    """The usual writing of a two-byte code: 04 01 → "P0401". None for the filler 00 00."""
    if not first and not second:
        return None
    return f"{FAMILIES[first >> 6]}{first >> 4 & 3}{first & 15:X}{second:02X}"


def codes_in(body: bytes) -> Iterator[str]:
    """The codes in a run of byte pairs. An odd last byte and filler are left out."""
    for first, second in zip(body[::2], body[1::2], strict=False):
        text = code_text(first, second)
        if text is not None:
            yield text


def _set(codes: str) -> frozenset[str]:
    return frozenset(codes.split())


FROM_MEMORY = _set(
    """
        P040A P040B P040C P040D P040E P040F P041A P041B P041C P041D P041E P042E P042F P044A
        P044B P044C P044D P044E P045A P045B P045C P045D P045E P045F P046C P046D P046E P046F
        P049A P049B P049C P049D P049E P2141 P2142 P2143 P2144 P2145 P2457
        """
)

_CIRCUIT = ("circuit", "out of range", "low", "high", "intermittent")


def _names() -> Iterator[tuple[str, str]]:
    yield "P0400", "recirculation flow"
    yield "P0401", "recirculation flow too small"
    yield "P0402", "recirculation flow too great"
    yield "P0403", "recirculation valve control circuit"
    yield "P0404", "recirculation valve control out of range"
    yield "P0405", "recirculation sensor A signal low"
    yield "P0406", "recirculation sensor A signal high"
    yield "P0407", "recirculation sensor B signal low"
    yield "P0408", "recirculation sensor B signal high"
    yield "P0409", "recirculation sensor A circuit"
    for letter, stem in (("A", "P040"), ("B", "P041")):
        for digit, what in zip("ABCDE", _CIRCUIT, strict=True):
            yield f"{stem}{digit}", f"recirculation temperature sensor {letter} {what}"
    yield "P040F", "recirculation temperature sensors A and B disagree"
    yield "P042E", "recirculation valve stuck open"
    yield "P042F", "recirculation valve stuck shut"
    for digit, what in zip("ABCDE", _CIRCUIT, strict=True):
        yield f"P044{digit}", f"recirculation sensor C {what}"
    yield "P045A", "recirculation valve B control circuit"
    yield "P045B", "recirculation valve B control out of range"
    yield "P045C", "recirculation valve B control circuit low"
    yield "P045D", "recirculation valve B control circuit high"
    yield "P045E", "recirculation valve B stuck open"
    yield "P045F", "recirculation valve B stuck shut"
    yield "P046C", "recirculation sensor A out of range"
    yield "P046D", "recirculation sensor A intermittent"
    yield "P046E", "recirculation sensor B out of range"
    yield "P046F", "recirculation sensor B intermittent"
    yield "P0486", "recirculation sensor B circuit"
    yield "P0487", "recirculation throttle control circuit open"
    yield "P0488", "recirculation throttle control out of range"
    yield "P0489", "recirculation valve A control circuit low"
    yield "P0490", "recirculation valve A control circuit high"
    yield "P049A", "recirculation flow of valve B"
    yield "P049B", "recirculation flow of valve B too small"
    yield "P049C", "recirculation flow of valve B too great"
    yield "P049D", "recirculation valve A beyond its learned stops"
    yield "P049E", "recirculation valve B beyond its learned stops"
    yield "P2141", "recirculation throttle control circuit low"
    yield "P2142", "recirculation throttle control circuit high"
    yield "P2143", "recirculation vent control circuit open"
    yield "P2144", "recirculation vent control circuit low"
    yield "P2145", "recirculation vent control circuit high"
    yield "P2413", "recirculation system performance"
    yield "P2425", "recirculation cooling valve control circuit open"
    yield "P2426", "recirculation cooling valve control circuit low"
    yield "P2427", "recirculation cooling valve control circuit high"
    yield "P2457", "recirculation cooling performance"
    yield "P245A", "recirculation cooler bypass control circuit open"
    yield "P245B", "recirculation cooler bypass control out of range"
    yield "P245C", "recirculation cooler bypass control circuit low"
    yield "P245D", "recirculation cooler bypass control circuit high"
    yield "P2494", "recirculation cooler bypass position sensor low"
    yield "P2495", "recirculation cooler bypass position sensor high"
    yield "P24A5", "recirculation cooler bypass stuck"


NAMES: Mapping[str, str] = MappingProxyType(dict(_names()))


# Recirculation parameters of SAE J1939, whose codes read "SPN 2791 FMI 5".
SPN_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "27": "recirculation valve position",
        "411": "recirculation differential pressure",
        "412": "recirculation gas temperature",
        "2659": "recirculation flow",
        "2791": "recirculation valve command",
        "3058": "recirculation system as its monitor sees it",
        "3358": "recirculation inlet pressure",
        "3822": "recirculation valve 2 position",
    }
)
# Failure modes of J1939-73: 3 to 6 accuse a circuit, the others the part or what it measures.
_CIRCUIT_MODES = frozenset({"3", "4", "5", "6"})


def _spn(code: str) -> tuple[str, str]:
    """Parameter and failure mode of a J1939 code, empty for any other."""
    words = code.split()
    return (words[1], words[3]) if len(words) == 4 and words[0] == "SPN" else ("", "")


def name_of(code: str) -> str:
    """What the code says, in our words; "" when it is not a recirculation code we know."""
    return NAMES.get(code) or SPN_NAMES.get(_spn(code)[0], "")


# ---------------------------------------------------------------- links

_LINKS: Mapping[Link, frozenset[str]] = MappingProxyType(
    {
        Link.FLOW: _set(
            """
        P0400 P0401 P0402 P049A P049B P049C P2413 P2457 P24A5 P040A P040B P040C P040D P040E
        P040F P041A P041B P041C P041D P041E
        """
        ),
        Link.ASK: _set(
            """
        P0403 P0487 P0488 P0489 P0490 P045A P045B P045C P045D P2141 P2142 P2143 P2144 P2145
        P2425 P2426 P2427 P245A P245B P245C P245D
        """
        ),
        Link.MOVE: _set(
            """
        P0404 P0405 P0406 P0407 P0408 P0409 P042E P042F P044A P044B P044C P044D P044E P045E
        P045F P046C P046D P046E P046F P0486 P049D P049E P2494 P2495
        """
        ),
    }
)


def is_recirculation(code: str) -> bool:
    return code in NAMES or _spn(code)[0] in SPN_NAMES


def link_of(code: str) -> Link | None:
    """The link of the chain a recirculation code speaks of, None for any other code.

    A code accuses the part it watches: flow and gas temperature → flow, control circuits → ask,
    position, lift and range → move. A code of J1939 accuses by parameter and failure mode.
    """
    spn, mode = _spn(code)
    if spn in SPN_NAMES:
        return _link_of_spn(spn, mode)
    return next((link for link, codes in _LINKS.items() if code in codes), None)


def _link_of_spn(spn: str, mode: str) -> Link:
    if spn in ("27", "3822"):
        return Link.MOVE
    if spn == "2791":
        return Link.ASK if mode in _CIRCUIT_MODES else Link.MOVE
    return Link.FLOW


# ---------------------------------------------------------------- what a code accuses

_MEANINGS: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "too little": _set("P0400 P0401 P042F P045F P049A P049B P2413"),
        "too much": _set("P0402 P042E P045E P049C"),
        "circuit": _set(
            """
        P0403 P0487 P0489 P0490 P045A P045C P045D P2141 P2142 P2143 P2144 P2145
        P2425 P2426 P2427 P245A P245C P245D
        """
        ),
        "place": _set("P0404 P0488 P045B P049D P049E P245B P24A5"),
        "sensor": _set(
            """
        P0405 P0406 P0407 P0408 P0409 P0486 P040A P040B P040C P040D P040E P040F P041A P041B
        P041C P041D P041E P044A P044B P044C P044D P044E P046C P046D P046E P046F P2494 P2495
        """
        ),
        "cooling": _set("P2457"),
    }
)
MEANINGS = (*_MEANINGS, "other")


def meaning_of(code: str) -> str:
    """What a recirculation code accuses: too little or too much gas, a circuit, the valve's
    place, a sensor, cooling; "other" where it says no more than that something is wrong."""
    spn, mode = _spn(code)
    if spn in SPN_NAMES and mode in _CIRCUIT_MODES:
        return "circuit" if spn == "2791" else "sensor"
    return next((word for word, codes in _MEANINGS.items() if code in codes), "other")


# ---------------------------------------------------------------- inputs that codes spoil


def _span(first: int, last: int, *inputs: str) -> dict[str, tuple[str, ...]]:
    return {f"P{number:04X}": inputs for number in range(first, last + 1)}


# Channels whose readings are in doubt while the code stands. Ranges after SAE J2012.
SPOILED: Mapping[str, tuple[str, ...]] = MappingProxyType(
    _span(0x0068, 0x0068, "map", "maf", "tp")
    | _span(0x0069, 0x0069, "map", "baro")
    | _span(0x0070, 0x0074, "aat")
    | _span(0x0100, 0x0104, "maf")
    | _span(0x0105, 0x0109, "map")
    | _span(0x0110, 0x0114, "iat")
    | _span(0x0115, 0x0119, "ect")
    | _span(0x0120, 0x0124, "tp")
    | _span(0x0125, 0x0126, "ect")
    | _span(0x0128, 0x0128, "ect")
    | _span(0x0220, 0x0229, "tp_b", "tp")
    | _span(0x0335, 0x0339, "rpm")
    | _span(0x0500, 0x0503, "vss")
    | _span(0x0560, 0x0563, "vpwr")
    | _span(0x0641, 0x0643, "map", "tp", "egr_a_act")
    | _span(0x0651, 0x0653, "map", "tp", "egr_a_act")
    | _span(0x0705, 0x0709, "n_d_stat")
    | _span(0x0850, 0x0852, "n_d_stat")
    | _span(0x2135, 0x2138, "tp", "app_d")
    | _span(0x2226, 0x2230, "baro")
)


def inputs_spoiled_by(code: str) -> tuple[str, ...]:
    """Channels that cannot be trusted while this code stands; none for most codes."""
    return SPOILED.get(code, ())
