"""Only one recorder may write an archive; the second is told so instead of harming the file."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sootsayer.model import SootsayerError


@contextmanager
def single_writer(archive: Path) -> Iterator[None]:
    """Holds ``archive`` for this process; the kernel lets go when the process ends, however.

    A file of its own is locked: opening and closing the archive itself would drop the locks
    that SQLite holds on it. Raises SootsayerError when another process holds it.
    """
    path = archive.with_name(archive.name + ".lock")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = path.open("w")
    except OSError as error:
        raise SootsayerError(
            f"archive {archive} cannot be written: {path}: {error.strerror}; "
            "check the folder and who you are, or name another with --archive"
        ) from error
    with lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise SootsayerError(
                f"archive {archive} is being written by another recorder; stop that one first"
            ) from error
        yield
