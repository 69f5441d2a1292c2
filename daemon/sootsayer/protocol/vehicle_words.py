"""J1979 service 09: what a control unit says of itself, and its in-use counters."""

from __future__ import annotations

from collections.abc import Iterator

from sootsayer.model import Sample
from sootsayer.protocol.scalings import COUNT

VIN, CALIBRATION, CHECKSUM, NAME = 0x02, 0x04, 0x06, 0x0A
SPARK_COUNTERS, COMPRESSION_COUNTERS = 0x08, 0x0B

_SPARK = """obdcond igncntr catcomp1 catcond1 catcomp2 catcond2 o2scomp1 o2scond1 o2scomp2 o2scond2
egrcomp egrcond aircomp aircond evapcomp evapcond so2scomp1 so2scond1 so2scomp2 so2scond2"""
# the order of the compression list is from memory
_COMPRESSION = """obdcond igncntr hccatcomp hccatcond ncatcomp ncatcond nadscomp nadscond pmcomp
pmcond egscomp egscond egrcomp egrcond bpcomp bpcond fuelcomp fuelcond"""
COUNTERS = {
    SPARK_COUNTERS: tuple(_SPARK.split()),
    COMPRESSION_COUNTERS: tuple(_COMPRESSION.split()),
}


def _text(raw: bytes) -> str:
    """The printable part; control units pad with NUL or blanks on either side."""
    return "".join(chr(byte) if 32 <= byte < 127 else " " for byte in raw).strip()


def _pieces(raw: bytes, size: int) -> Iterator[bytes]:
    for at in range(0, len(raw) - size + 1, size):
        yield raw[at : at + size]


def identities(item: int, raw: bytes) -> list[tuple[str, str]]:
    """Key and text of what an item says. ``raw`` follows the count byte. Unknown items: none."""
    found: list[tuple[str, str]] = []
    if item == VIN and len(raw) >= 17:
        found = [("vin", _text(raw[-17:]))]
    elif item == CALIBRATION:
        found = [("calibration", _text(piece)) for piece in _pieces(raw, 16)]
    elif item == CHECKSUM:
        found = [("checksum", piece.hex().upper()) for piece in _pieces(raw, 4)]
    elif item == NAME:
        found = [("name", " ".join(_text(raw).split()))]
    return [(key, text) for key, text in found if text]


def counters(item: int, raw: bytes) -> tuple[Sample, ...]:
    """In-use counters as samples, for instance ``egrcomp`` and ``egrcond``."""
    words = _pieces(raw, 2)
    return tuple(
        Sample(name, int.from_bytes(word, "big"), COUNT)
        for name, word in zip(COUNTERS.get(item, ()), words, strict=False)
    )
