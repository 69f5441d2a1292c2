"""The invented car's two control units: a request in, whole replies out.

Services 01, 02, 03, 06, 07, 09 and 0A. As on a real bus a unit stays silent to what it does not
know.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from sootsayer.demo.build import Make
from sootsayer.demo.encoding import pid_bytes, support_bitmap, supported_pids
from sootsayer.demo.ledger import in_use, in_use_compression
from sootsayer.demo.monitor import IDLE_LEAST_AIR_PART, Memory, Results
from sootsayer.model import CodeStatus

ENGINE, GEARBOX = 0x7E8, 0x7E9
FUNCTIONAL = 0x7DF
REPLY_LESS_REQUEST = 8  # a unit's own request address lies so far below its reply address
MOST_PIDS = 6
VIN = "SXXTSAYERDEMX2401"  # invented: no maker has it
CALIBRATION = "DEMO-24-EGR-0107"
CHECKSUM = 0x50073A1E
_CODE_SERVICES = {
    0x03: CodeStatus.CONFIRMED,
    0x07: CodeStatus.PENDING,
    0x0A: CodeStatus.PERMANENT,
}
_GEARBOX_PIDS = frozenset({0x01, 0x05, 0x0D})
_FRAME_CODE = 0x02  # the PID of service 02 that names the code
# What is frozen beside it, as far as the car has it: load, temperatures, trims, pressure, speed,
# air, throttle, run time, recirculation, barometer.
_FROZEN_PIDS = frozenset(
    {0x03, 0x04, 0x05, 0x06, 0x07, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x10, 0x11, 0x1F, 0x2C, 0x2D, 0x33}
)
SPARK_COUNTERS, COMPRESSION_COUNTERS = 0x08, 0x0B
RECIRCULATION_MONITOR = 0x31  # bank 1, SAE J1979 appendix D
FELL_TEST, IDLE_TEST = 0x81, 0x85  # from 80 on a maker numbers its tests as it likes
KPA_THOUSANDTHS, PERCENT_HUNDREDTHS = 0xFD, 0x2F  # kinds of value, SAE J1979 appendix E
NO_SIGNED_LIMIT, NO_LIMIT = 0x7FFF, 0xFFFF


@dataclass(frozen=True, slots=True)
class Moment:
    """What the control units know at one moment: raw integers by channel, stored codes."""

    raw: Mapping[str, int]
    memory: Memory = field(default_factory=Memory)


@dataclass(frozen=True, slots=True)
class ControlUnit:
    """One control unit, by the address it replies from."""

    address: int
    pids: frozenset[int]
    name: str
    vin: str = ""
    calibration: str = ""
    checksum: int | None = None
    compression: bool = False

    def answer(self, request: bytes, moment: Moment) -> bytes | None:
        """The reply to one request, None for silence."""
        if not request:
            return None
        service, rest = request[0], request[1:]
        if service == 0x01 and 1 <= len(rest) <= MOST_PIDS:
            return self._current(rest, moment)
        if service == 0x02 and rest and len(rest) % 2 == 0:
            return self._frozen(rest, moment)
        if service in _CODE_SERVICES and not rest:
            return self._codes(service, moment)
        if service == 0x06 and 1 <= len(rest) <= MOST_PIDS:
            return self._tests(rest, moment)
        if service == 0x09 and len(rest) == 1:
            return self._about(rest[0], moment)
        return None

    def _current(self, pids: bytes, moment: Moment) -> bytes | None:
        body = b"".join(self._one(pid, moment) for pid in dict.fromkeys(pids))
        return b"\x41" + body if body else None

    def _one(self, pid: int, moment: Moment) -> bytes:
        if pid % 0x20 == 0:
            bitmap = support_bitmap(pid, self.pids)
            return bytes((pid,)) + bitmap if bitmap else b""
        if pid not in self.pids:
            return b""
        if pid == 0x01 and self.address == GEARBOX:
            return b"\x01\x00\x04\x00\x00"  # components only, nothing stored
        return bytes((pid,)) + pid_bytes(pid, moment.raw)

    def _frozen(self, pairs: bytes, moment: Moment) -> bytes | None:
        """Pairs of PID and frame number; there is one frame, number 0."""
        asked = zip(pairs[::2], pairs[1::2], strict=True)
        body = b"".join(self._frozen_one(pid, moment) for pid, frame in asked if frame == 0)
        return b"\x42" + body if body else None

    def _frozen_one(self, pid: int, moment: Moment) -> bytes:
        if self.address != ENGINE:
            return b""
        frame = moment.memory.frame
        if pid == _FRAME_CODE:
            return b"\x02\x00" + (code_bytes(frame.code) if frame else b"\x00\x00")
        stored = (_FROZEN_PIDS & self.pids) | {_FRAME_CODE} if frame else frozenset({_FRAME_CODE})
        if pid % 0x20 == 0:
            bitmap = support_bitmap(pid, stored)
            return bytes((pid, 0)) + bitmap if bitmap else b""
        if frame is None or pid not in stored:
            return b""
        return bytes((pid, 0)) + pid_bytes(pid, frame.raw)

    def _tests(self, monitors: bytes, moment: Moment) -> bytes | None:
        """Results of one monitor, or bitmaps of which there are."""
        if self.address != ENGINE:
            return None
        known = frozenset({RECIRCULATION_MONITOR})
        if all(monitor % 0x20 == 0 for monitor in monitors):
            maps = ((monitor, support_bitmap(monitor, known)) for monitor in monitors)
            body = b"".join(bytes((monitor,)) + bitmap for monitor, bitmap in maps if bitmap)
            return b"\x46" + body if body else None
        if list(monitors) == [RECIRCULATION_MONITOR]:
            return b"\x46" + result_records(moment.memory.results)
        return None

    def _codes(self, service: int, moment: Moment) -> bytes:
        stored = moment.memory.codes(_CODE_SERVICES[service]) if self.address == ENGINE else ()
        return bytes((service + 0x40, len(stored))) + b"".join(map(code_bytes, stored))

    def _about(self, item: int, moment: Moment) -> bytes | None:
        ledger = moment.memory.ledger
        counted = in_use_compression(ledger) if self.compression else in_use(ledger)
        counters = counted if self.address == ENGINE else b""
        place = COMPRESSION_COUNTERS if self.compression else SPARK_COUNTERS
        said = {
            0x02: self.vin.encode("ascii"),
            0x04: self.calibration.encode("ascii").ljust(16, b"\x00") if self.calibration else b"",
            0x06: b"" if self.checksum is None else self.checksum.to_bytes(4, "big"),
            place: counters,
            0x0A: self.name.encode("ascii").ljust(20, b"\x00"),
        }
        if item == 0x00:
            items = frozenset(item for item, text in said.items() if text)
            return bytes((0x49, 0x00)) + support_bitmap(0, items)
        number = len(counters) // 2 if item == place else 1
        return bytes((0x49, item, number)) + said[item] if said.get(item) else None


def control_units(make: Make) -> tuple[ControlUnit, ControlUnit]:
    """The engine's and the gearbox's control unit of one car."""
    engine = ControlUnit(
        ENGINE,
        supported_pids(make),
        "ECM-EngineControl",
        VIN,
        CALIBRATION,
        CHECKSUM,
        make.compression_ignition,
    )
    return engine, ControlUnit(GEARBOX, _GEARBOX_PIDS, "TCM-GearboxControl", "", "DEMO-4AT-03")


def code_bytes(code: str) -> bytes:
    """A trouble code in two bytes: "P0401" is 04 01."""
    letter = "PCBU".index(code[0])
    return ((letter << 14) | int(code[1:], 16)).to_bytes(2, "big")


def monitor_results(results: Results) -> tuple[tuple[int, int, tuple[int, int, int]], ...]:
    """Test, kind of value, and value, least and greatest of the recirculation monitor's tests.

    All three nought: not run since codes were cleared.
    """
    fell = idle = (0, 0, 0)
    if results.fell_kpa is not None:
        value, least = (round(1000.0 * kpa) for kpa in results.fell_kpa)
        fell = (value, least, NO_SIGNED_LIMIT)
    if results.idle_air_part is not None:
        idle = (round(1e4 * results.idle_air_part), round(1e4 * IDLE_LEAST_AIR_PART), NO_LIMIT)
    return (FELL_TEST, KPA_THOUSANDTHS, fell), (IDLE_TEST, PERCENT_HUNDREDTHS, idle)


def result_records(results: Results) -> bytes:
    """Those results as records of nine bytes: monitor, test, kind, value, least, greatest."""
    return b"".join(
        bytes((RECIRCULATION_MONITOR, test, kind))
        + b"".join((word & 0xFFFF).to_bytes(2, "big") for word in words)
        for test, kind, words in monitor_results(results)
    )
