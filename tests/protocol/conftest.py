"""Option of the transcript tests: ``pytest tests/protocol --accept`` writes what came out."""

from __future__ import annotations

import pytest
from hypothesis import settings as hypothesis_settings

# how long one example takes says nothing on a machine that does other things as well
hypothesis_settings.register_profile("shared machine", deadline=None)
hypothesis_settings.load_profile("shared machine")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--accept",
        action="store_true",
        default=False,
        help="write the .expected files of tests/transcripts anew; read the difference",
    )
