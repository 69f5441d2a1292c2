"""SAE J1939-73 diagnostic messages: trouble codes, lamps, readiness and test results.

A code is a parameter and how it fails, written "SPN 2791 FMI 5". Active (DM1), previously active
(DM2) and emission-related active codes (DM12) are what a car's "confirmed" are; DM6 is pending,
DM28 permanent. Layouts from memory of the standard, as in the protocol table of the tests.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from sootsayer.model import CodeStatus, Sample, Scaling
from sootsayer.protocol.scalings import BITS, COUNT, STATE

DM1, DM2, DM5, DM6, DM12, DM28, DM30 = 65226, 65227, 65230, 65231, 65236, 64896, 41984
VEHICLE_NUMBER = 65260  # an identity, beside the diagnostic messages
CODE_MESSAGES: Mapping[int, CodeStatus] = MappingProxyType(
    {
        DM1: CodeStatus.CONFIRMED,
        DM2: CodeStatus.CONFIRMED,
        DM12: CodeStatus.CONFIRMED,
        DM6: CodeStatus.PENDING,
        DM28: CodeStatus.PERMANENT,
    }
)
CODE_BYTES, TEST_BYTES = 4, 12
GREATEST_TEST = 0xFAFF  # above: not run, error, not available
# bit of the lamp byte → channel; two bits each: 0 off, 1 on, 3 not available
LAMPS = ((6, "mil_lamp"), (4, "stop_lamp"), (2, "warning_lamp"), (0, "protect_lamp"))
FILLERS = frozenset({(0, 0), (0x7FFFF, 31)})  # no code, and bytes not used


def _failure(low: int, middle: int, high: int) -> tuple[int, int]:
    """SPN and FMI of three bytes."""
    return low | middle << 8 | high >> 5 << 16, high & 0x1F


def code_text(spn: int, fmi: int) -> str:
    return f"SPN {spn} FMI {fmi}"


def codes_in(body: bytes) -> tuple[str, ...]:
    """The codes after the two lamp bytes, each once, without fillers."""
    found = [
        _failure(*body[at : at + 3]) for at in range(2, len(body) - CODE_BYTES + 1, CODE_BYTES)
    ]
    return tuple(dict.fromkeys(code_text(*one) for one in found if one not in FILLERS))


def lamps_in(body: bytes) -> tuple[Sample, ...]:
    """The lamps of DM1 that the car has."""
    states = ((channel, body[0] >> bit & 3) for bit, channel in LAMPS)
    return tuple(Sample(channel, state, STATE) for channel, state in states if state < 2)


def readiness_in(body: bytes) -> tuple[Sample, ...]:
    """DM5: counts of codes, and which monitors exist and are not complete, as bits.

    The highest bit of the first byte of either pair is recirculation.
    """
    if len(body) < 8:
        return ()
    counts = (("codes_active", body[0]), ("codes_previous", body[1]))
    samples = [Sample(channel, raw, COUNT) for channel, raw in counts if raw <= 0xFA]
    for channel, at in (("monitors_fitted", 4), ("monitors_incomplete", 6)):
        if body[at : at + 2] != b"\xff\xff":
            samples.append(Sample(channel, int.from_bytes(body[at : at + 2], "big"), BITS))
    return tuple(samples)


def tests_in(body: bytes) -> tuple[Sample, ...]:
    """DM30: results of tests with their limits, as bare integers of the stated kind (SLOT)."""
    samples: list[Sample] = []
    for at in range(0, len(body) - TEST_BYTES + 1, TEST_BYTES):
        record = body[at : at + TEST_BYTES]
        spn, _ = _failure(*record[1:4])
        slot, value, most, least = (
            int.from_bytes(record[i : i + 2], "little") for i in (4, 6, 8, 10)
        )
        if value > GREATEST_TEST:
            continue
        scaling = Scaling(f"slot{slot}", 1.0, 0.0, "")
        name = f"spn{spn}_tid{record[0]:02x}"
        samples.append(Sample(name, value, scaling))
        limits = ((f"{name}_min", least), (f"{name}_max", most))
        samples += [Sample(one, raw, scaling) for one, raw in limits if raw <= GREATEST_TEST]
    return tuple(samples)
