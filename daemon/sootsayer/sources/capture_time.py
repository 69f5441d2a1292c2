"""Stamps of captures become log time: epoch milliseconds that never run backward."""

from __future__ import annotations

from collections.abc import Callable

from sootsayer.sources.capture_frames import CaptureFile, Stamps

BACKWARD_MS = 1000  # less is frames out of order, more is a clock that was set
APART_MS = 1000  # put between what stood before and after a clock that was set back
REPLY_MS = 50  # invented distance of replies where a file has no stamps


class CaptureTime:
    """Gives log time for the stamps of one file after another.

    ``tell`` hears, in words and with the log time, whatever had to be made up.
    """

    def __init__(self, tell: Callable[[int, str], None]) -> None:
        self._tell = tell
        self._name = ""
        self._stamps = Stamps.EPOCH
        self._shift_ms = 0
        self._sum_ms = 0
        self.last_ms: int | None = None

    def begin(self, file: CaptureFile) -> None:
        self._name = file.path.name
        self._stamps = file.stamps
        self._sum_ms = 0
        self._shift_ms = 0
        if file.stamps is Stamps.EPOCH:
            return
        self._shift_ms = round(file.path.stat().st_mtime * 1000)
        what = {
            Stamps.ZERO: "stamps count from the beginning of the recording",
            Stamps.DELTA: "stamps count from the frame before",
            Stamps.NONE: f"no stamps; replies are taken to be {REPLY_MS} ms apart",
        }[file.stamps]
        self._tell(
            max(self._shift_ms, self.last_ms or 0),
            f"{self._name}: {what}, and the recording to begin when the file was last changed",
        )

    def log_ms(self, stamp_ms: int) -> int:
        """The log time of a reply. A frame without a stamp has that of the one before."""
        t_ms = self._raw_ms(stamp_ms) + self._shift_ms
        last_ms = self.last_ms
        if last_ms is not None and t_ms < last_ms:
            t_ms = self._backward(t_ms, last_ms)
        self.last_ms = t_ms
        return t_ms

    def _raw_ms(self, stamp_ms: int) -> int:
        if self._stamps is Stamps.NONE:
            self._sum_ms += REPLY_MS
        elif self._stamps is Stamps.DELTA:
            self._sum_ms += max(0, stamp_ms)
        elif stamp_ms >= 0:
            self._sum_ms = stamp_ms
        return self._sum_ms

    def _backward(self, t_ms: int, last_ms: int) -> int:
        if last_ms - t_ms <= BACKWARD_MS:
            return last_ms
        back_s = (last_ms - t_ms) / 1000
        shifted_ms = last_ms + APART_MS
        self._shift_ms += shifted_ms - t_ms
        self._tell(
            shifted_ms,
            f"{self._name}: the clock runs back by {back_s:.0f} s; what follows was moved behind",
        )
        return shifted_ms
