"""What every kind of capture file gives: frames of control units with stamps, and counts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from typing import Protocol

Frame = tuple[int, str, bytes]  # stamp in ms as the file has it (-1: none), address, bytes


class Stamps(Enum):
    """What the stamps of a file count from."""

    EPOCH = "Unix time"
    ZERO = "the beginning of the recording"
    DELTA = "the frame before"
    NONE = "nothing"


class CaptureFile(Protocol):
    path: Path
    size_bytes: int
    done_bytes: int  # how far ``frames`` has come
    stamps: Stamps
    first_ms: int  # of any frame, as the file has it
    last_ms: int  # of any frame passed so far, as the file has it
    counters: Counter[str]

    def frames(self) -> Iterator[Frame]:
        """Frames from control units that answer a tester, in the order of the file."""
        ...
