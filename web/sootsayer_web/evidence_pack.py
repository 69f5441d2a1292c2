"""Evidence of one alert to download, made by a process of its own.

Making it loads NumPy's tables and reads minutes of readings; a process gives all of that back when
it ends, and the pages stay quick meanwhile. One at a time, and no longer than the limits allow.

Run as a module it is that process: ARCHIVE OUT ALERT CONTROL.
"""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import BinaryIO

from sootsayer.clock import Deadline
from sootsayer.model import SootsayerError
from sootsayer.niceness import step_back

LOOK_S = 0.1  # how often it is asked whether the process has ended
LONGEST_WORD = 2000  # characters of what went wrong


def build(
    archive: Path, alert: int, control: Path, longest_s: float, stop: threading.Event
) -> BinaryIO:
    """The pack, opened for reading; its file is gone when it is closed.

    Raises SootsayerError when it cannot be made, or not in ``longest_s``, or when ``stop`` is set.
    """
    with TemporaryDirectory(prefix="sootsayer-evidence-") as folder:
        out, said = Path(folder) / "evidence.zip", Path(folder) / "said"
        words = [sys.executable, "-m", __name__, str(archive), str(out), str(alert), str(control)]
        with said.open("wb") as errors:
            process = subprocess.Popen(words, stdin=subprocess.DEVNULL, stderr=errors)
        try:
            _wait(process, longest_s, stop)
        finally:
            process.kill()
            process.wait()
        if process.returncode != 0:
            raise SootsayerError(_last_line(said))
        return out.open("rb")


def _wait(process: subprocess.Popen[bytes], longest_s: float, stop: threading.Event) -> None:
    deadline = Deadline(longest_s)
    while process.poll() is None:
        if stop.is_set():
            raise SootsayerError("the dashboard is stopping; ask again when it runs")
        if deadline.passed():
            raise SootsayerError(
                f"the evidence was not ready within {longest_s:g} s; make it on the small computer "
                "with: sootsayer pack"
            )
        stop.wait(LOOK_S)


def _last_line(said: Path) -> str:
    lines = said.read_text(encoding="utf-8", errors="replace").strip().splitlines()
    return lines[-1][:LONGEST_WORD] if lines else "the evidence could not be made; the log says why"


def main(words: list[str]) -> int:
    """Make the pack; trouble is one line on standard error."""
    from sootsayer.evidence import Request, pack_archive

    archive, out, alert, control = words
    step_back()
    try:
        pack_archive(Path(archive), Path(out), Request(int(alert)), Path(control))
    except SootsayerError as trouble:
        print(trouble, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
