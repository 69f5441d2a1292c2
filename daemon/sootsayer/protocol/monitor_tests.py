"""J1979 service 06: results of the monitors' own tests, with their limits.

Each record is nine bytes: monitor, test, kind of value, value, least, greatest. Pass means
least <= value <= greatest. Value and limits become three channels, for instance
``mid31_tid80``, ``mid31_tid80_min`` and ``mid31_tid80_max``; value = least = greatest = 0 means
that the test has not run since codes were cleared and gives nothing.
Monitors 31 to 34 are recirculation, banks 1 to 4.
On the older links a test has one limit, and its number and scale are the maker's: the bare
integers become ``tid05_c01`` (test and component) and ``tid05_c01_max`` or ``_min``.
Source of the kinds: SAE J1979 appendix E.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType

from sootsayer.model import Sample, Scaling

RECORD_BYTES = 9
OLDER_BYTES = 6  # test, kind of limit, value, limit; no length that CAN's records could have
NO_KIND = 0xFF  # stands for the kind of limit in a bitmap of supported tests
LEAST_BIT, COMPONENT_BITS = 0x80, 0x7F
EGR_MONITORS = range(0x31, 0x35)


def _kinds() -> Iterator[tuple[int, float, float, str]]:
    """Kind, factor, offset, unit. From 80 on the raw value is signed."""
    plain = ((0x01, 1), (0x02, 0.1), (0x03, 0.01), (0x04, 0.001), (0x05, 2**-15), (0x06, 0.000305))
    for kind, factor in plain:
        yield kind, factor, 0.0, ""
        yield kind | 0x80, factor, 0.0, ""
    yield 0x07, 0.25, 0.0, "rpm"
    yield 0x08, 0.01, 0.0, "km/h"
    yield 0x09, 1.0, 0.0, "km/h"
    for kind, factor in ((0x0A, 0.000122), (0x0B, 0.001), (0x0C, 0.01)):
        yield kind, factor, 0.0, "V"
        yield kind | 0x80, factor, 0.0, "V"
    yield 0x0D, 0.00390625, 0.0, "mA"
    yield 0x8D, 0.00390625, 0.0, "mA"
    yield 0x0E, 0.001, 0.0, "A"
    yield 0x8E, 0.001, 0.0, "A"
    yield 0x0F, 0.01, 0.0, "A"
    for kind, factor in ((0x10, 0.001), (0x11, 0.1), (0x12, 1.0), (0x35, 0.01), (0x90, 0.001)):
        yield kind, factor, 0.0, "s"
    for kind, factor in ((0x13, 0.001), (0x14, 1.0), (0x15, 1000.0)):
        yield kind, factor, 0.0, "Ω"
    yield 0x16, 0.1, -40.0, "°C"
    yield 0x96, 0.1, 0.0, "°C"
    pressures = ((0x17, 0.01), (0x18, 0.0117), (0x19, 0.079), (0x1A, 1.0), (0x1B, 10.0))
    for kind, factor in (*pressures, (0xFD, 0.001), (0xFE, 0.00025)):
        yield kind, factor, 0.0, "kPa"
    for kind, factor in ((0x1C, 0.01), (0x1D, 0.5), (0x9C, 0.01), (0x9D, 0.5)):
        yield kind, factor, 0.0, "°"
    yield 0x1E, 2**-15, 0.0, ""
    yield 0x20, 0.00390625, 0.0, ""
    for kind, factor in ((0x27, 0.01), (0x28, 1.0), (0xA8, 1.0)):
        yield kind, factor, 0.0, "g/s"
    yield 0x24, 1.0, 0.0, ""
    for kind, factor in ((0x2F, 0.01), (0x30, 0.001526), (0xAF, 0.01), (0xB0, 0.003052)):
        yield kind, factor, 0.0, "%"
    yield 0x39, 0.01, -327.68, "%"


KINDS: Mapping[int, Scaling] = MappingProxyType(
    {kind: Scaling(f"uas{kind:02X}", scale, offset, u) for kind, scale, offset, u in _kinds()}
)


def kind_scaling(kind: int) -> Scaling:
    """The scaling of a kind of value; the bare integer for one we do not know."""
    return KINDS.get(kind) or Scaling(f"uas{kind:02X}", 1.0, 0.0, "")


def _record(record: bytes) -> Iterator[Sample]:
    monitor, test, kind = record[:3]
    words = (record[3:5], record[5:7], record[7:9])
    value, least, greatest = (int.from_bytes(word, "big", signed=kind >= 0x80) for word in words)
    if value == least == greatest == 0:
        return
    name = f"mid{monitor:02x}_tid{test:02x}"
    scaling = kind_scaling(kind)
    yield Sample(name, value, scaling)
    yield Sample(f"{name}_min", least, scaling)
    yield Sample(f"{name}_max", greatest, scaling)


def test_samples(body: bytes) -> tuple[tuple[Sample, ...], bool]:
    """The samples of all whole records after the service byte, and whether it came out even."""
    whole = len(body) // RECORD_BYTES * RECORD_BYTES
    samples: list[Sample] = []
    for at in range(0, whole, RECORD_BYTES):
        samples += _record(body[at : at + RECORD_BYTES])
    return tuple(samples), whole == len(body)


SIGNED_KINDS = 0x80  # from here on kinds of value are signed (SAE J1979 appendix E)


def unlimited(scaling: Scaling, least: int, greatest: int) -> tuple[int | None, int | None]:
    """Raw limits, None for one that limits nothing, being the end of its kind's range."""
    signed = int(scaling.name.removeprefix("uas"), 16) >= SIGNED_KINDS
    lowest, highest = (-0x8000, 0x7FFF) if signed else (0, 0xFFFF)
    return (None if least == lowest else least), (None if greatest == highest else greatest)


def margin_pct(value: float, least: float | None, greatest: float | None) -> float | None:
    """Distance to the nearest limit in % of the room there is, negative outside.

    Room is what lies between the limits, or the limit's own size where there is one only.
    """
    rooms = []
    if least is not None:
        rooms.append(value - least)
    if greatest is not None:
        rooms.append(greatest - value)
    if not rooms:
        return None
    if least is not None and greatest is not None:
        whole = greatest - least
    else:
        whole = abs(least if least is not None else greatest or 0.0)
    nearest = min(rooms)
    if whole <= 0:
        return 0.0 if nearest == 0 else -100.0 if nearest < 0 else 100.0
    return 100 * nearest / whole


OLDER = Scaling("test16", 1.0, 0.0, "")  # the maker's scale is not told


def older_samples(body: bytes) -> tuple[Sample, ...]:
    """The two samples of an older link's six bytes after the service; none of a bitmap."""
    test, kind = body[0], body[1]
    if kind == NO_KIND and test % 0x20 == 0:
        return ()
    name = f"tid{test:02x}_c{kind & COMPONENT_BITS:02x}"
    limit = "min" if kind & LEAST_BIT else "max"
    value, bound = (int.from_bytes(body[at : at + 2], "big") for at in (2, 4))
    return Sample(name, value, OLDER), Sample(f"{name}_{limit}", bound, OLDER)
