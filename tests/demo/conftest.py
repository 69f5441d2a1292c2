"""One long drive for the whole folder."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from demo_drive import Record, drive_all


@pytest.fixture(scope="session")
def drive_of() -> Mapping[str, Record]:
    """Every case over the same commute of twenty minutes."""
    return drive_all()
