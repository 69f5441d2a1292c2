"""What every kind of capture file gives: frames of control units with stamps, and counts."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from typing import Protocol

# Stamp in ms as the file has it (-1: none); address in capital digits, three or, with 29 bits,
# eight of them; bytes.
Frame = tuple[int, str, bytes]
REPLY_ADDRESS = re.compile(r"7E[8-F]|18DAF1[0-9A-F]{2}")  # who answers a tester


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

    def every_frame(self) -> Iterator[Frame]:
        """All data frames, in the order of the file: slower, for broadcasts."""
        ...
