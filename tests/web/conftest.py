"""Real archives, the real server on a free port, and a real Chromium."""

from __future__ import annotations

import runpy
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from playwright.sync_api import Browser, sync_playwright

from sootsayer_web import create_app
from sootsayer_web.limits import Limits
from web_serving import WEB, serving
from web_story import Story, tell

CHROMIUM = "/usr/bin/chromium"
CHROMIUM_ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="session")
def vendor() -> dict[str, Any]:
    """The build hook's own functions, after they have brought in the chart library."""
    functions = runpy.run_path(str(WEB / "vendor.py"))
    functions["fill"]()
    return functions


@pytest.fixture(scope="session")
def story(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Story]:
    """One archive that tells the whole story, for tests that only read."""
    archive, told = tell(tmp_path_factory.mktemp("story") / "archive.db")
    yield told
    archive.close()


@pytest.fixture
def client(story: Story) -> FlaskClient:
    return create_app(story.path).test_client()


@pytest.fixture(scope="session")
def quick() -> Limits:
    """The shipped limits, looking and beating faster so that tests need not wait."""
    return replace(Limits.shipped(), look_s=0.05, heartbeat_s=0.1)


@pytest.fixture
def serve_on(vendor: dict[str, Any], quick: Limits) -> Iterator[Callable[..., str]]:
    """A function that serves an archive until the test ends."""
    with ExitStack() as stack:

        def start(archive: Path, limits: Limits = quick) -> str:
            return stack.enter_context(serving(archive, limits))

        yield start


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """The system's Chromium. A test that needs it fails, and is not skipped, without it."""
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGUMENTS)
        yield launched
        launched.close()
