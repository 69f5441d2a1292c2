"""The files that an archive consists of, and making a new one whole or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sootsayer.model import SootsayerError

BESIDE = ("-wal", "-shm", "-ring", ".lock", "-journal")


@contextmanager
def new_archive(path: Path) -> Iterator[Path]:
    """A path to build at; the archive gets its name once it is whole and on the disk.

    Raises SootsayerError if ``path`` exists or cannot be written; then nothing is left behind.
    """
    if path.exists():
        raise SootsayerError(f"file {path} exists already and is left as it is; name a new one")
    part = path.with_name(f"{path.name}.part")
    remove(part)
    try:
        yield part
        _sync(part)
        part.rename(path)
        _sync(path.parent)
    except OSError as trouble:
        raise SootsayerError(
            f"file {path} cannot be written: {trouble.strerror}; check the folder and its room"
        ) from trouble
    finally:
        remove(part)


def remove(archive: Path) -> None:
    """Take away an archive that is only half made."""
    for ending in ("", *BESIDE):
        archive.with_name(archive.name + ending).unlink(missing_ok=True)


def _sync(path: Path) -> None:
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
