"""Watches the wall clock beside the boot clock, and says when an anchor must be kept.

A small computer without a battery-backed clock starts with the wrong time and is stepped when
it first hears a time server; a phone may set it too. Readings rest on boot time, so nothing
moves; the anchor tells later which wall time a log time really was.
"""

from __future__ import annotations

from pathlib import Path

from sootsayer.clock import LogClock, boottime_ms, wall_ms
from sootsayer.model import Anchor, SootsayerError

# A phone that says an earlier or later year has a wrong clock itself; certificates and telephone
# networks would not work for it.
PHONE_EARLIEST_MS = 1_704_067_200_000  # 2024-01-01T00:00:00Z
DRIFT_MS = 20  # a fifth of the time between two readings
DRIFT_EVERY_MS = 600_000  # a crystal that is off by 33 millionths drifts so much in ten minutes
PHONE_LATEST_MS = 4_102_444_800_000  # 2100-01-01T00:00:00Z


def phone_time_ms(text: str) -> int:
    """The ``wall_ms`` of a request. Raises SootsayerError for what no phone's clock says."""
    try:
        said_ms = int(text)
    except ValueError as error:
        raise SootsayerError(f"clock wall_ms = {text!r} is not a whole number of ms") from error
    if not PHONE_EARLIEST_MS <= said_ms <= PHONE_LATEST_MS:
        raise SootsayerError(f"clock wall_ms = {said_ms} lies outside 2024 to 2100; set the phone")
    return said_ms


class ClockWatch:
    """``synchronised_file`` exists once the clock has been set by a time server."""

    def __init__(self, clock: LogClock, step_ms: int, synchronised_file: Path) -> None:
        self._clock = clock
        self._step_ms = step_ms
        self._synchronised_file = synchronised_file
        self._kept_lead_ms = wall_ms() - boottime_ms()
        self._kept_trust = self.trusted()
        self._kept_ms = clock.now_ms()
        self._phone_said = False

    def trusted(self) -> bool:
        return self._synchronised_file.exists()

    def is_set(self) -> bool:
        """Whether anything better than the machine itself has said what time it is."""
        return self.trusted() or self._phone_said

    def hear_phone(self, said_ms: int) -> tuple[int, Anchor | None]:
        """By how many ms the phone is ahead of this machine, and an anchor if it is needed.

        A clock that a time server has set is better than a phone's and is left alone.
        """
        ahead_ms = said_ms - wall_ms()
        if self.trusted():
            return ahead_ms, None
        self._phone_said = True
        return ahead_ms, Anchor(self._clock.now_ms(), said_ms, True, "phone")

    def look(self) -> Anchor | None:
        """A new anchor if the wall clock stepped, its trust changed, or the machine's own clock
        has drifted beside a time server's since the last one."""
        now_wall_ms = wall_ms()
        lead_ms, trust = now_wall_ms - boottime_ms(), self.trusted()
        stepped = abs(lead_ms - self._kept_lead_ms) > self._step_ms
        now_ms = self._clock.now_ms()
        drifted = (
            trust
            and abs(lead_ms - self._kept_lead_ms) >= DRIFT_MS
            and now_ms - self._kept_ms >= DRIFT_EVERY_MS
        )
        if not (stepped or drifted or trust != self._kept_trust):
            return None
        self._kept_lead_ms, self._kept_trust, self._kept_ms = lead_ms, trust, now_ms
        source = "ntp" if trust else "system"
        return Anchor(now_ms, now_wall_ms, trust, source)
