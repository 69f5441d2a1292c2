"""A progress bar for work that takes longer than a blink. Silent where nobody watches."""

from __future__ import annotations

import sys
from typing import TextIO

WIDTH = 30  # characters of the bar; with label and per cent it fits 80 columns


class ProgressBar:
    """Draws on ``stream`` (standard error), but only if that is a terminal."""

    def __init__(self, label: str, stream: TextIO | None = None) -> None:
        self._label = label
        self._stream = stream or sys.stderr
        self._watched = self._stream.isatty()
        self._shown_pct = -1

    def show(self, done: float, total: float) -> None:
        """``done`` of ``total``, in any unit. Cheap: draws only when the per cent change."""
        pct = min(100, int(100 * done / total)) if total else 100
        if not self._watched or pct == self._shown_pct:
            return
        self._shown_pct = pct
        filled = "#" * (pct * WIDTH // 100)
        self._stream.write(f"\r{self._label} [{filled:<{WIDTH}}] {pct:3d} %")
        self._stream.flush()

    def clear(self) -> None:
        """Take the bar away, so that what follows starts on a clean line."""
        if self._shown_pct >= 0:
            self._stream.write("\r\x1b[K")
            self._stream.flush()
            self._shown_pct = -1
