"""Monitor status of PIDs 01 and 41 as one 32-bit integer, bytes A to D from the top.

A: lamp and number of codes (PID 01 only) · B: continuous monitors, bit 3 = compression ignition ·
C: monitors supported (01) or enabled in this cycle (41) · D: monitors *not* complete. Bit 7 of C
and D is recirculation and/or valve timing: a set bit does not prove that the car recirculates.
Source: SAE J1979.
"""

from __future__ import annotations

from dataclasses import dataclass

EGR_BIT = 7


@dataclass(frozen=True, slots=True)
class Monitors:
    lamp_on: bool
    codes: int
    compression_ignition: bool
    egr_supported: bool  # PID 41: enabled in this cycle
    egr_complete: bool  # False as well where it is not supported


def monitors(status: int) -> Monitors:
    """What ``monitor_status`` or ``monitor_cycle`` says."""
    a, b, c, d = (status & 0xFFFFFFFF).to_bytes(4, "big")
    supported = bool(c >> EGR_BIT & 1)
    return Monitors(
        lamp_on=bool(a >> 7),
        codes=a & 0x7F,
        compression_ignition=bool(b >> 3 & 1),
        egr_supported=supported,
        egr_complete=supported and not d >> EGR_BIT & 1,
    )
