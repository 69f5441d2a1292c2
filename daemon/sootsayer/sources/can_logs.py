"""Logs in python-can's formats (ASC, BLF, TRC, MF4) as capture files. Libraries load late."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from sootsayer.model import SootsayerError
from sootsayer.sources.capture_frames import REPLY_ADDRESS, CaptureFile, Frame, Stamps

CAN_LOG_SUFFIXES = frozenset({".asc", ".blf", ".trc", ".mf4"})
EPOCH_BEGINS_S = 100_000_000  # 1973: a smaller stamp does not count from 1970


class CanLogFile(CaptureFile):
    """One log. Raises OSError when it cannot be opened, SootsayerError when it is damaged."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.size_bytes = path.stat().st_size
        self.done_bytes = 0
        self.counters: Counter[str] = Counter()
        first_s = next(self._messages(), (0.0, "", b""))[0]
        self.stamps = Stamps.EPOCH if first_s >= EPOCH_BEGINS_S else Stamps.ZERO
        self.first_ms = self.last_ms = round(first_s * 1000)
        self.counters.clear()

    def frames(self) -> Iterator[Frame]:
        return (frame for frame in self.every_frame() if REPLY_ADDRESS.fullmatch(frame[1]))

    def every_frame(self) -> Iterator[Frame]:
        for stamp_s, address, body in self._messages():
            self.last_ms = round(stamp_s * 1000)
            if REPLY_ADDRESS.fullmatch(address):
                self.counters["control unit frames"] += 1
            yield self.last_ms, address, body
        self.done_bytes = self.size_bytes

    def _messages(self) -> Iterator[tuple[float, str, bytes]]:
        """Stamp in seconds, address as text and bytes of every classic data frame."""
        import can

        try:
            with can.LogReader(self.path) as log:
                for message in log:
                    self.counters["frames"] += 1
                    if message.is_error_frame or message.is_remote_frame:
                        continue
                    if message.is_fd:
                        self.counters["frames of CAN FD"] += 1
                        continue
                    width = 8 if message.is_extended_id else 3
                    address = f"{message.arbitration_id:0{width}X}"
                    yield message.timestamp, address, bytes(message.data)
        except OSError:
            raise
        except NotImplementedError as missing:  # what python-can says without asammdf
            raise SootsayerError(
                f"recording {self.path} needs the package asammdf; install sootsayer[mf4] or "
                "convert the recording to candump text"
            ) from missing
        except Exception as error:  # the readers raise whatever their parsing stumbled on
            raise SootsayerError(
                f"recording {self.path} is damaged or not what its name says: {error}; "
                "record it again or convert it to candump text"
            ) from error
