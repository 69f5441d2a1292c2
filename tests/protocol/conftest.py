"""Option of the transcript tests: ``pytest tests/protocol --accept`` writes what came out."""

from __future__ import annotations

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--accept",
        action="store_true",
        default=False,
        help="write the .expected files of tests/transcripts anew; read the difference",
    )
