"""Work that can wait steps back, so that recording comes first."""

from __future__ import annotations

import os
from contextlib import suppress

KINDLY = 10  # of 19: a core that is idle is still used


def step_back() -> None:
    """Give the calling thread less of the processor; on Linux each has a niceness of its own."""
    with suppress(OSError):  # the service's filter of system calls forbids it; then not
        os.nice(KINDLY)
