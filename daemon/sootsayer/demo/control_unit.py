"""The invented car's two control units: a request in, whole replies out.

Services 01, 03, 07, 09 and 0A. As on a real bus a unit stays silent to what it does not know.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from sootsayer.demo.build import Make
from sootsayer.demo.encoding import pid_bytes, support_bitmap, supported_pids
from sootsayer.demo.monitor import Memory
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

    def answer(self, request: bytes, moment: Moment) -> bytes | None:
        """The reply to one request, None for silence."""
        if not request:
            return None
        service, rest = request[0], request[1:]
        if service == 0x01 and 1 <= len(rest) <= MOST_PIDS:
            return self._current(rest, moment)
        if service in _CODE_SERVICES and not rest:
            return self._codes(service, moment)
        if service == 0x09 and len(rest) == 1:
            return self._about(rest[0])
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

    def _codes(self, service: int, moment: Moment) -> bytes:
        stored = moment.memory.codes(_CODE_SERVICES[service]) if self.address == ENGINE else ()
        return bytes((service + 0x40, len(stored))) + b"".join(map(code_bytes, stored))

    def _about(self, item: int) -> bytes | None:
        said = {
            0x02: self.vin.encode("ascii"),
            0x04: self.calibration.encode("ascii").ljust(16, b"\x00") if self.calibration else b"",
            0x06: b"" if self.checksum is None else self.checksum.to_bytes(4, "big"),
            0x0A: self.name.encode("ascii").ljust(20, b"\x00"),
        }
        if item == 0x00:
            items = frozenset(item for item, text in said.items() if text)
            return bytes((0x49, 0x00)) + support_bitmap(0, items)
        return bytes((0x49, item, 0x01)) + said[item] if said.get(item) else None


def control_units(make: Make) -> tuple[ControlUnit, ControlUnit]:
    """The engine's and the gearbox's control unit of one car."""
    engine = ControlUnit(
        ENGINE, supported_pids(make), "ECM-EngineControl", VIN, CALIBRATION, CHECKSUM
    )
    return engine, ControlUnit(GEARBOX, _GEARBOX_PIDS, "TCM-GearboxControl", "", "DEMO-4AT-03")


def code_bytes(code: str) -> bytes:
    """A trouble code in two bytes: "P0401" is 04 01."""
    letter = "PCBU".index(code[0])
    return ((letter << 14) | int(code[1:], 16)).to_bytes(2, "big")
