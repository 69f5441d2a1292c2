"""Archives in a temporary folder, readings to put into them, findings to keep."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from sootsayer.model import Alert, AlertState, Batch, Link, Scaling, Series
from sootsayer.store.archive import Archive

RPM = Scaling("rpm_quarter", 0.25, 0.0, "rpm")
MAP = Scaling("kpa", 1.0, 0.0, "kPa")
START_MS = 1_764_000_000_000 // 3_600_000 * 3_600_000  # a full hour


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "archive.db"


@pytest.fixture
def archive(path: Path) -> Iterator[Archive]:
    """A new archive, closed after the test if the test has not."""
    opened = Archive.open(path)
    yield opened
    opened.close()


@pytest.fixture
def series() -> Callable[..., Series]:
    """series("rpm", stamps, raws, scaling=RPM)"""

    def build(
        channel: str, t_ms: Sequence[int], raw: Sequence[int], scaling: Scaling = RPM
    ) -> Series:
        return Series(channel, scaling, np.array(t_ms, np.int64), np.array(raw, np.int64))

    return build


@pytest.fixture
def drive() -> Callable[..., Iterator[Batch]]:
    """drive(seconds, step_ms): rpm and map ten times a second, a batch every ``step_ms``."""

    def build(seconds: int, step_ms: int = 500, start_ms: int = START_MS) -> Iterator[Batch]:
        for at_ms in range(start_ms, start_ms + seconds * 1000, step_ms):
            t_ms = np.arange(at_ms + 100, at_ms + step_ms + 1, 100)
            raw = 3_000 + (t_ms * 7919) % 211
            yield Batch(at_ms + step_ms, (Series("rpm", RPM, t_ms, raw), _map(t_ms)))

    return build


def _map(t_ms: np.ndarray) -> Series:
    return Series("map", MAP, t_ms, 40 + (t_ms * 31) % 17)


@pytest.fixture
def alert() -> Callable[..., Alert]:
    """alert(first_ms, seen=3, …): an open alert of rule F1 unless said otherwise."""

    def build(first_ms: int, seen: int = 3, **changed: object) -> Alert:
        fields: dict[str, object] = {
            "rule": "F1",
            "link": Link.FLOW,
            "state": AlertState.OPEN,
            "first_ms": first_ms,
            "raised_ms": first_ms + 1000,
            "last_ms": first_ms + 2000,
            "cleared_ms": None,
            "seen": seen,
            "chances": 9,
            "eligible_s": 312.5,
            "measure": 0.2,
            "limit": 0.5,
            "unit": "",
            "title": "Hardly any gas although the valve opened",
            "text": "In 3 of 9 openings the gas stayed away.",
            "channels": ("rpm", "map"),
        }
        return Alert(**(fields | changed))  # type: ignore[arg-type]

    return build
