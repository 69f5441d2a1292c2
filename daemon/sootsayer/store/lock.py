"""One writer an archive: a lock that the kernel lets go of when the process ends."""

from __future__ import annotations

import fcntl
import os
from contextlib import suppress
from pathlib import Path
from typing import TextIO

from sootsayer.model import SootsayerError
from sootsayer.store.schema import cannot_write


def lock_out_others(path: Path) -> TextIO:
    """Hold the side file ``NAME.lock``; the kernel lets go of it when the process ends."""
    lock_path = path.with_name(f"{path.name}.lock")
    try:
        lock_file = lock_path.open("a+", encoding="ascii")
    except OSError as trouble:
        raise cannot_write(path, trouble) from trouble
    try:
        fcntl.flock(lock_file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as trouble:
        lock_file.seek(0)
        holder = lock_file.read().strip() or "unknown"
        lock_file.close()
        raise SootsayerError(
            f"archive {path}: process {holder} is recording into it; stop that one first or "
            "name another file"
        ) from trouble
    with suppress(OSError):  # a full disk: the lock holds, only the name of its holder is missing
        lock_file.truncate(0)
        lock_file.write(f"{os.getpid()}\n")
        lock_file.flush()
    return lock_file
