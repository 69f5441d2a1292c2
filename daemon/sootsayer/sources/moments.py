"""When the valve is asked open, and when the key may be off in a moment. Pure."""

from __future__ import annotations

RUNNING_RPM, STOPPED_RPM = 400.0, 50.0
FAVOUR_MS = 5_000  # the closing edge and what settles after it
OPEN_POINTS = 2.0  # above the lowest command seen with the engine running
CLOSING_MS = 20_000  # a control unit that stays awake after key-off does so for some seconds


class Moments:
    """Follows engine speed, command and voltage as they are heard."""

    CHANNELS = frozenset({"rpm", "egr_pct", "egr_a_cmd", "adapter_voltage", "vpwr"})

    def __init__(self, charging_volts: float) -> None:
        self.stops = 0  # times that a last look became due
        self._charging_volts = charging_volts
        self._running = False
        self._charging = False
        self._shut_pct: float | None = None
        self._open_ms: int | None = None
        self._stopped_ms: int | None = None

    def saw(self, t_ms: int, channel: str, value: float) -> None:
        if channel == "rpm":
            self._saw_rpm(t_ms, value)
        elif channel in ("egr_pct", "egr_a_cmd"):
            self._saw_command(t_ms, value)
        else:
            self._saw_volts(t_ms, value)

    def favoured(self, now_ms: int) -> bool:
        """The valve is asked open, or was until a moment ago."""
        return self._open_ms is not None and now_ms - self._open_ms <= FAVOUR_MS

    def closing(self, now_ms: int) -> bool:
        """The engine or the alternator has just stopped."""
        return self._stopped_ms is not None and now_ms - self._stopped_ms <= CLOSING_MS

    def _saw_rpm(self, t_ms: int, rpm: float) -> None:
        if rpm >= RUNNING_RPM:
            self._running = True
        elif rpm <= STOPPED_RPM and self._running:
            self._running = False
            self._stop(t_ms)

    def _saw_command(self, t_ms: int, command_pct: float) -> None:
        """Some control units report a few per cent when shut, and nothing with the engine off."""
        if not self._running:
            return
        lowest = command_pct if self._shut_pct is None else min(self._shut_pct, command_pct)
        self._shut_pct = lowest
        if command_pct > lowest + OPEN_POINTS:
            self._open_ms = t_ms

    def _saw_volts(self, t_ms: int, volts: float) -> None:
        if volts >= self._charging_volts:
            self._charging = True
        elif self._charging:
            self._charging = False
            self._stop(t_ms)

    def _stop(self, t_ms: int) -> None:
        """Speed and voltage fall together: one last look, not two."""
        if not self.closing(t_ms):
            self.stops += 1
        self._stopped_ms = t_ms
