"""The dialogue with an AT-command adapter, without I/O.

Each part is a generator that yields a ``Command`` and is sent the ``Reply`` to it, and returns
what it found out. Whoever drives them owns the port, the clock and the patience. An adapter's own
account of itself is not believed: what it can do is tried once and kept as ``Capabilities``.
"""

from __future__ import annotations

from collections.abc import Collection, Generator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from sootsayer.protocol.exchange import Reply
from sootsayer.protocol.headers import Frame, LinkKind, frame_of, kind_seen_in, kind_told_by
from sootsayer.protocol.j1979 import MAX_PIDS, decode_current, pids_in, request_current
from sootsayer.protocol.pids import LAYOUTS
from sootsayer.protocol.remarks import LOST_SETTINGS, Remark

RESET_WAIT_S = 5.0  # a reset takes about one second, slow adapters three
SETTING_WAIT_S = 2.0
SEARCH_WAIT_S = 30.0  # trying every link with the slow 5-baud starts
REQUEST_WAIT_S = 5.0  # a control unit may take that long after "answer pending"


@dataclass(frozen=True, slots=True)
class Command:
    text: str
    wait_s: float = REQUEST_WAIT_S
    kind: LinkKind | None = None  # how to read the reply's lines


class NoCar(StrEnum):
    """Why no control unit could be reached."""

    SILENT = "the car does not answer; is the ignition on?"
    WIRING = "the adapter cannot drive the line; check plug and wiring"
    FOREIGN_LINK = "the adapter found a link that is none of J1979's"
    UNSETTLED = "the adapter lost its settings"


@dataclass(frozen=True, slots=True)
class Adapter:
    """What set-up learned. ``refused`` are the settings the adapter does not know."""

    version: str
    refused: tuple[str, ...]
    volts: float | None


@dataclass(frozen=True, slots=True)
class Car:
    """The link that was found. ``protocol`` is the adapter's number for it, "" if untold."""

    kind: LinkKind
    protocol: str
    units: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Capabilities:
    """What was tried and works. ``count_suffix``: a digit that ends a request's wait early."""

    max_pids: int = 1
    count_suffix: bool = False


Steps = Generator[Command, Reply]

# Echo and line feeds off, blanks off for speed, headers on to tell control units apart, normal
# adaptive timing, the adapter does the frame lengths and flow control, protocol by search. No
# keep-alive of K-lines by the adapter (SW 00): it would hold control units awake.
SETTINGS = ("ATE0", "ATL0", "ATS0", "ATH1", "ATAT1", "ATCAF1", "ATCFC1", "ATSW00", "ATSP0")


def volts_in(reply: Reply) -> float | None:
    """The voltage an ``ATRV`` brought, None if it is not one a car could have."""
    for text in reply.texts:
        number = text.upper().removesuffix("V").strip()
        try:
            volts = float(number)
        except ValueError:
            continue
        if 0.0 < volts < 40.0:
            return volts
    return None


def read_voltage() -> Generator[Command, Reply, float | None]:
    return volts_in((yield Command("ATRV", SETTING_WAIT_S)))


def read_ignition() -> Generator[Command, Reply, bool | None]:
    """What the adapter's ignition line says, None where it has none or does not tell.

    An unconnected line reads as on or as off for ever: only a change means something.
    """
    reply = yield Command("ATIGN", SETTING_WAIT_S)
    said = {text.strip().upper() for text in reply.texts}
    return None if said.isdisjoint({"ON", "OFF"}) else "ON" in said


def set_up() -> Generator[Command, Reply, Adapter | None]:
    """Reset the adapter and give it our settings. None: nothing there speaks like an adapter.

    Sends nothing to the car.
    """
    reply = yield Command("ATZ", RESET_WAIT_S)
    if not reply.complete:
        return None
    refused: list[str] = []
    for setting in SETTINGS:
        reply = yield Command(setting, SETTING_WAIT_S)
        if not reply.complete:
            return None
        if Remark.OK not in reply.remarks:
            refused.append(setting)
    if len(refused) == len(SETTINGS):
        return None
    reply = yield Command("ATI", SETTING_WAIT_S)
    version = reply.texts[0] if reply.texts else ""
    volts = yield from read_voltage()
    return Adapter(version, tuple(refused), volts)


def find_car() -> Generator[Command, Reply, Car | NoCar]:
    """Ask for the first support bitmap, which makes the adapter search for the link."""
    found = yield Command("0100", SEARCH_WAIT_S)
    if found.has(LOST_SETTINGS):
        return NoCar.UNSETTLED
    if Remark.FEEDBACK_ERROR in found.remarks:
        return NoCar.WIRING
    if not found.texts:
        return NoCar.SILENT
    told = yield Command("ATDPN", SETTING_WAIT_S)
    protocol = told.texts[0].strip().upper()[-1:] if told.texts else ""
    kind = _kind_of(found.texts, kind_told_by(protocol))
    if kind is None:
        return NoCar.FOREIGN_LINK
    again = yield Command("0100", REQUEST_WAIT_S, kind)
    units = tuple(dict.fromkeys(message.unit for message in again.messages))
    return Car(kind, protocol, units) if units else NoCar.SILENT


def _kind_of(lines: Sequence[str], told: LinkKind | None) -> LinkKind | None:
    """What the adapter told, if the lines look like it, else what they look like."""
    if told is not None and any(isinstance(frame_of(line, told), Frame) for line in lines):
        return told
    return next((kind for kind in map(kind_seen_in, lines) if kind is not None), None)


# ---------------------------------------------------------------- what works


def current(pids: Sequence[int], capabilities: Capabilities | None = None, units: int = 0) -> str:
    """The text of a request for these PIDs.

    The count digit is added where it is known to work and one line of one unit must come.
    """
    text = request_current(pids).hex().upper()
    one_line = len(pids) == 1 and LAYOUTS[pids[0]].size <= 5
    if capabilities is not None and capabilities.count_suffix and units == 1 and one_line:
        return text + "1"
    return text


# Values that stand still for the second a comparison takes, in order of preference, and how far
# two readings may lie apart in raw counts.
STEADY = (0x05, 0x0F, 0x33, 0x46, 0x2F, 0x30)
STEADY_RAW = 3
MULTIPLES = (MAX_PIDS, 3, 2)  # requests longer than seven or four bytes are what clones cut


def _raw_by_channel(reply: Reply, unit: str) -> Mapping[str, int]:
    return {
        sample.channel: sample.raw
        for message in reply.messages
        if message.unit == unit
        for sample in decode_current(message.body).samples
    }


def _agree(several: Mapping[str, int], single: Mapping[str, int]) -> bool:
    return all(
        name in several and abs(several[name] - raw) <= STEADY_RAW for name, raw in single.items()
    )


def try_out(
    car: Car, unit: str, supported: Collection[int]
) -> Generator[Command, Reply, Capabilities]:
    """Find out whether requests for several PIDs and the count digit work.

    Several at once are asked for on CAN only, and must bring every PID, with the values that
    single requests brought where those stand still.
    """
    steady = [pid for pid in STEADY if pid in supported][:3]
    works = Capabilities()
    if not steady:
        return works
    single: dict[str, int] = {}
    for pid in steady:
        reply = yield Command(current([pid]), REQUEST_WAIT_S, car.kind)
        single.update(_raw_by_channel(reply, unit))
    if not car.kind.is_can or not single:
        return works
    if len(car.units) == 1:
        reply = yield Command(current([steady[0]]) + "1", REQUEST_WAIT_S, car.kind)
        works = replace(works, count_suffix=bool(_raw_by_channel(reply, unit)))
    fillers = [pid for pid in (0x0C, 0x11, 0x0B, 0x10, 0x04, 0x0D, 0x2C) if pid in supported]
    for count in MULTIPLES:
        # the steady ones last: what gets cut off a request is its end
        pids = [*fillers[: max(0, count - len(steady))], *steady][-count:]
        if len(pids) < 2:
            break
        reply = yield Command(current(pids), REQUEST_WAIT_S, car.kind)
        wanted = {f: single[f] for f in single if f in _names(pids)}
        answered = {pid for message in reply.messages for pid in pids_in(message.body)}
        if answered >= set(pids) and _agree(_raw_by_channel(reply, unit), wanted):
            return replace(works, max_pids=len(pids))
    return works


def _names(pids: Sequence[int]) -> set[str]:
    return {part.channel for pid in pids for part in LAYOUTS[pid].parts}
