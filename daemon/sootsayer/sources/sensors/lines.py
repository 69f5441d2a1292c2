"""Input lines of the small computer, through libgpiod's second interface. Only ever inputs.

The library is loaded when a line is opened, so a recorder without such sensors never loads it.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from types import ModuleType
from typing import Any, Protocol

from sootsayer.model import SootsayerError
from sootsayer.sources.sensors.edges import Edge
from sootsayer.sources.sensors.plans import LinePlan

LIBRARY = "gpiod"
CONSUMER = "sootsayer"
DEVICES = Path("/dev")
KERNEL_KEEPS = 1024  # edges; a solenoid at 300 Hz fills it in 1.7 s


class InputLine(Protocol):
    def wait(self, most_s: float) -> list[Edge]:
        """Edges that came, at once or within ``most_s``. Raises OSError when the chip is gone."""

    def active(self) -> bool: ...

    def close(self) -> None: ...


OpenLine = Callable[[LinePlan], InputLine]


def library() -> ModuleType:
    """Raises SootsayerError when it is missing or too old."""
    try:
        found = importlib.import_module(LIBRARY)
    except ImportError:
        found = None
    if found is None or not hasattr(found, "request_lines"):
        what = "is not installed" if found is None else "is of the first version"
        raise SootsayerError(
            f"the library {LIBRARY}, which input lines need, {what}; "
            "install it with: pip install 'sootsayer[sensors]'"
        )
    return found


def open_line(plan: LinePlan) -> InputLine:
    """Raises SootsayerError without the library, OSError without the chip or the line."""
    return _Line(plan, library())


class _Line:
    def __init__(self, plan: LinePlan, gpiod: Any) -> None:
        direction, pulls = gpiod.line.Direction, gpiod.line.Bias
        pull = {"up": pulls.PULL_UP, "down": pulls.PULL_DOWN, "none": pulls.DISABLED}[plan.pull]
        settings = gpiod.LineSettings(
            direction=direction.INPUT,
            edge_detection=gpiod.line.Edge.BOTH,
            bias=pull,
            active_low=plan.active_low,
            debounce_period=timedelta(milliseconds=plan.debounce_ms),
        )
        self._rising = gpiod.EdgeEvent.Type.RISING_EDGE
        self._active = gpiod.line.Value.ACTIVE
        self._number = plan.line
        self._request = gpiod.request_lines(
            _path(plan.chip, gpiod),
            consumer=CONSUMER,
            config={plan.line: settings},
            event_buffer_size=KERNEL_KEEPS,
        )

    def wait(self, most_s: float) -> list[Edge]:
        if not self._request.wait_edge_events(most_s):
            return []
        return [
            Edge(event.timestamp_ns, event.event_type == self._rising, event.line_seqno)
            for event in self._request.read_edge_events()
        ]

    def active(self) -> bool:
        return bool(self._request.get_value(self._number) == self._active)

    def close(self) -> None:
        self._request.release()


def _path(chip: str, gpiod: Any) -> str:
    """A chip by its path, or by its label, which stays when numbers change."""
    if chip.startswith("/"):
        return chip
    for path in sorted(DEVICES.glob("gpiochip*")):
        with gpiod.Chip(str(path)) as opened:
            if opened.get_info().label == chip:
                return str(path)
    raise FileNotFoundError(f"no chip is labelled {chip!r}; look with: gpiodetect")
