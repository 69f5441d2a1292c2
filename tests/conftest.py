"""Shared by all tests: waiting on a condition with a deadline, never by sleeping."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator

import pytest

from sootsayer.clock import Deadline

Until = Callable[[Callable[[], object], str], None]


@pytest.fixture
def until() -> Until:
    """``until(condition, what)``: returns once ``condition()`` is true, fails after 20 s."""

    def wait(condition: Callable[[], object], what: str) -> None:
        deadline = Deadline(20)
        pause = threading.Event()  # nobody sets it: a wait that yields the processor
        while not condition():
            if deadline.passed():
                pytest.fail(f"waited 20 s in vain until {what}")
            pause.wait(0.02)

    return wait


@pytest.fixture
def in_background() -> Iterator[Callable[[Callable[[], object]], threading.Thread]]:
    """Runs functions in threads and joins them all at the end of the test."""
    threads: list[threading.Thread] = []

    def start(function: Callable[[], object]) -> threading.Thread:
        thread = threading.Thread(target=function, daemon=True)
        threads.append(thread)
        thread.start()
        return thread

    yield start
    for thread in threads:
        thread.join(timeout=20)
        assert not thread.is_alive(), "a thread of this test did not end"
