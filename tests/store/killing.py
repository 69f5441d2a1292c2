"""Start a recorder, kill it at a random moment, look at what it left. Shared with tests/bench."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader
from store import recording

OPERATIONS_MOST = 12_000  # steps of SQLite's machine: opening and some seventy commits
ACKS_MOST = 45  # commits before the parent kills; a minute is finished after 30


@dataclass(slots=True)
class Said:
    """Last log times a recorder spoke of."""

    had_ms: int
    acked_ms: int
    seen: int


def kill_once(path: Path, rng: random.Random, said: Said) -> None:
    """Kill inside SQLite (by steps) or from outside (after some acknowledgements)."""
    inside = rng.random() < 0.5
    operations = rng.randrange(1, OPERATIONS_MOST) if inside else 0
    acks = 10**9 if inside else rng.randrange(1, ACKS_MOST)
    command = [sys.executable, recording.__file__, str(path), str(operations)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        for line in child.stdout:
            _listen(line, said)
            if line.startswith("ack"):
                acks -= 1
                if acks == 0:
                    child.send_signal(signal.SIGKILL)
    assert child.returncode == -signal.SIGKILL


def _listen(line: str, said: Said) -> None:
    words = line.split()
    if words[0] == "had":
        said.had_ms = int(words[1])
    if words[0] == "ack":
        said.acked_ms, said.seen = int(words[1]), int(words[2])


def look(path: Path, said: Said) -> int:
    """Open as the recorder would and compare with what was acknowledged.

    Returns how many milliseconds of what was never acknowledged are lost.
    """
    archive = Archive.open(path)
    upto_ms = archive.upto_ms
    with ArchiveReader(path) as reader:
        assert reader.check() == []
        stored = {c: reader.series(c, 0, 1 << 60) for c in recording.CHANNELS}
        alerts = reader.alerts()
    # Closed by letting go without a word, as the kill did: the tail must serve again.
    archive._connection.close()
    if archive._unchunked.ring is not None:
        archive._unchunked.ring.close()
    archive._lock_file.close()
    assert upto_ms >= said.acked_ms
    lost_ms = max(0, said.had_ms - max(upto_ms, recording.START_MS))
    assert lost_ms <= recording.COMMIT_BATCHES * recording.BATCH_MS
    if upto_ms == 0:
        return lost_ms
    for channel, series in stored.items():
        (found,) = series
        assert found.t_ms.tolist() == list(range(recording.START_MS + 50, upto_ms + 1, 50))
        assert (found.raw == recording.raws(channel, found.t_ms)).all()
    if said.acked_ms == 0 and not alerts:
        return lost_ms
    assert [row.id for row in alerts] == [1]
    assert alerts[0].alert.seen >= said.seen
    last_ms = alerts[0].alert.last_ms  # the ring may be one unacknowledged commit ahead
    assert said.acked_ms <= last_ms <= upto_ms
    assert alerts[0].alert == recording.alert((last_ms - recording.START_MS) // 1000, last_ms)
    return lost_ms
