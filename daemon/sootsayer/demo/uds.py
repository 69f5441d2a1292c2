"""The invented car as one built to SAE J1979-2: it knows ISO 14229 alone and is silent to 01–0A.

What its control units know is the same; only the words are others. Data identifier F4xx carries
parameter xx, F6xx the results of monitor xx, F8xx item xx without a count; codes have three bytes
and a status and come from service 19, functional group 33.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sootsayer.demo.at_commands import Unit
from sootsayer.demo.control_unit import ENGINE, Moment, code_bytes
from sootsayer.demo.guise import Guise
from sootsayer.model import CodeStatus

READ, CODES = 0x22, 0x19
READ_REPLY, CODES_REPLY = READ + 0x40, CODES + 0x40
MOST_IDENTIFIERS = 3
EMISSIONS = 0x33
BY_MASK, PERMANENT = 0x42, 0x55
CONFIRMED_BIT, PENDING_BIT = 0x08, 0x04
STATUS_BITS, SEVERITY_BITS = 0x0C, 0x1E  # of the status and severity bits, those that are kept
SEVERITY = 0x02
FORMAT = 0x04  # codes of SAE J2012-DA
NO_FAILURE_TYPE = 0x00


@dataclass(frozen=True, slots=True)
class UdsUnit:
    """One control unit that is asked in ISO 14229 and knows what ``plain`` knows."""

    plain: Unit

    @property
    def address(self) -> int:
        return self.plain.address

    @property
    def pids(self) -> frozenset[int]:
        return self.plain.pids

    def answer(self, request: bytes, moment: Moment) -> bytes | None:
        """The reply to one request, None for silence."""
        service, rest = request[:1], request[1:]
        if service == bytes((READ,)) and len(rest) in range(2, 2 * MOST_IDENTIFIERS + 1, 2):
            pairs = zip(rest[::2], rest[1::2], strict=True)
            body = b"".join(self._one(high, low, moment) for high, low in pairs)
            return bytes((READ_REPLY,)) + body if body else None
        if service == bytes((CODES,)) and self.address == ENGINE:
            return self._codes(rest, moment)
        return None

    def _one(self, high: int, low: int, moment: Moment) -> bytes:
        read = _READERS.get(high)
        data = read(self.plain, low, moment) if read is not None else b""
        return bytes((high, low)) + data if data else b""

    def _codes(self, rest: bytes, moment: Moment) -> bytes | None:
        if len(rest) == 4 and rest[:2] == bytes((BY_MASK, EMISSIONS)):
            head = bytes((CODES_REPLY, BY_MASK, EMISSIONS, STATUS_BITS, SEVERITY_BITS, FORMAT))
            records = [
                bytes((SEVERITY, *code, status))
                for code, status in _stored(moment)
                if status & rest[2]
            ]
            return head + b"".join(records)
        if rest == bytes((PERMANENT, EMISSIONS)):
            head = bytes((CODES_REPLY, PERMANENT, EMISSIONS, STATUS_BITS, FORMAT))
            codes = moment.memory.codes(CodeStatus.PERMANENT)
            return head + b"".join(bytes((*_three_bytes(code), CONFIRMED_BIT)) for code in codes)
        return None


def _three_bytes(code: str) -> bytes:
    return code_bytes(code) + bytes((NO_FAILURE_TYPE,))


def _stored(moment: Moment) -> list[tuple[bytes, int]]:
    """Codes and their status bits."""
    bits: dict[str, int] = {}
    for kind, bit in ((CodeStatus.CONFIRMED, CONFIRMED_BIT), (CodeStatus.PENDING, PENDING_BIT)):
        for code in moment.memory.codes(kind):
            bits[code] = bits.get(code, 0) | bit
    return [(_three_bytes(code), status) for code, status in bits.items()]


def _parameter(unit: Unit, pid: int, moment: Moment) -> bytes:
    return (unit.answer(bytes((0x01, pid)), moment) or b"")[2:]


def _monitor(unit: Unit, monitor: int, moment: Moment) -> bytes:
    """Records without the monitor's number, which the identifier carries."""
    said = (unit.answer(bytes((0x06, monitor)), moment) or b"\x46")[1:]
    if monitor % 0x20 == 0:
        return said[1:]
    return b"".join(said[at + 1 : at + 9] for at in range(0, len(said), 9))


def _words(unit: Unit, item: int, moment: Moment) -> bytes:
    said = unit.answer(bytes((0x09, item)), moment) or b""
    return said[2:] if item % 0x20 == 0 else said[3:]


_READERS: dict[int, Callable[[Unit, int, Moment], bytes]] = {
    0xF4: _parameter,
    0xF6: _monitor,
    0xF8: _words,
}


class UdsCar(Guise):
    """A car whose control units speak ISO 14229 alone."""

    @property
    def units(self) -> tuple[UdsUnit, ...]:
        return tuple(UdsUnit(unit) for unit in self._car.units)
