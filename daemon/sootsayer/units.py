"""The only conversion factors in the program, and how figures are written for a person."""

from __future__ import annotations

KELVIN_AT_0_C = 273.15
PA_PER_KPA = 1000.0
KPA_PER_INHG = 3.386389  # conventional inch of mercury at 0 °C, NIST SP 811 table B.8
MS_PER_S = 1000
S_PER_MIN = 60
S_PER_H = 3600
HALF_TENTH = 0.05 - 1e-9  # makes rounding to tenths rounding up, and leaves whole tenths


def kelvin(celsius: float) -> float:
    return celsius + KELVIN_AT_0_C


def say_duration(seconds: float) -> str:
    """A length of time as one says it: "45 s", "12 min", "3 h 12 min"."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / S_PER_MIN)
    if minutes < 60:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    return f"{hours} h {rest} min" if rest and hours < 48 else f"{hours} h"


def say_count(count: int, noun: str) -> str:
    """ "1 opening", "4 openings"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def say_error(error: float) -> str:
    """An error of measurement in tenths, rounded up: "0.1" at least, for nothing is exact."""
    return f"{max(error, 0.1) + HALF_TENTH:.1f}"
