"""The one place for time. Everything else receives a clock.

CLOCK_BOOTTIME runs on through suspend and never steps, so deadlines and stamps rest on it;
``time.time()`` is asked only for anchors, which may be corrected later.
"""

from __future__ import annotations

import time
from pathlib import Path

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def boottime_ms() -> int:
    """Milliseconds since the machine started, suspend included."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


def wall_ms() -> int:
    """What the wall clock says, milliseconds of Unix time. May be wrong, may step."""
    return int(time.time() * 1000)


def boot_id() -> str:
    """The kernel's name for this boot."""
    return BOOT_ID.read_text(encoding="ascii").strip()


class LogClock:
    """Log time of this boot: boot time plus an offset that the archive gave.

    ``rate`` > 1 lets a simulated car and the recorder that watches it share a faster clock.
    """

    def __init__(self, offset_ms: int, rate: float = 1.0) -> None:
        self.offset_ms = offset_ms
        self.rate = rate
        self._start_ms = boottime_ms()

    def now_ms(self) -> int:
        boot_ms = boottime_ms()
        if self.rate == 1.0:
            return boot_ms + self.offset_ms
        elapsed_ms = (boot_ms - self._start_ms) * self.rate
        return self._start_ms + int(elapsed_ms) + self.offset_ms


class Deadline:
    """A deadline on boot time, for waits that no step of the wall clock may stretch."""

    def __init__(self, seconds: float) -> None:
        self._end_ms = boottime_ms() + seconds * 1000

    def left_s(self) -> float:
        """Seconds left, never negative."""
        return max(0.0, (self._end_ms - boottime_ms()) / 1000)

    def passed(self) -> bool:
        return boottime_ms() >= self._end_ms
