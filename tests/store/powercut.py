"""A disk that loses power: every write is noted, and the files are built again "as after the cut".

A recording VFS (APSW) stands under SQLite and a recording file under the ring. What was synced
stays. Of what was not, every sector is as it was at any moment since, or torn between two such
moments, each on its own: so writes are dropped, reordered and torn. A file whose name was not
yet synced may be gone; a truncation that was not synced may not have happened.
"""

from __future__ import annotations

import random
import sqlite3
from bisect import bisect_right
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import apsw

from sootsayer.store.ring import RingFile

TEAR_BYTES = 512  # what a device writes at once, whatever its sector
RECORDING = "sootsayer-recording"


@dataclass(slots=True)
class Operation:
    """One thing that a program asked of the disk."""

    kind: str  # write, truncate, sync, name (its name is durable from here on)
    file: str
    at: int = 0
    packed: bytes = b""


@dataclass(slots=True)
class Disk:
    """Notes operations; ``refuse`` is asked before each and may raise to make it fail."""

    operations: list[Operation] = field(default_factory=list)
    refuse: Callable[[str, str], None] = lambda kind, file: None

    def note(self, kind: str, file: str, at: int = 0, packed: bytes = b"") -> None:
        self.operations.append(Operation(kind, file, at, packed))


class RecordingVFS(apsw.VFS):
    """The usual VFS with every change of a database or its log noted."""

    def __init__(self, disk: Disk) -> None:
        self.disk = disk
        super().__init__(RECORDING, "")

    def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:
        path = name.filename() if isinstance(name, apsw.URIFilename) else name
        self.disk.refuse("open", Path(path).name)
        return _RecordingFile(self.disk, name, flags)

    def xDelete(self, name: str, sync: bool) -> None:
        self.disk.note("truncate", Path(name).name, 0)
        super().xDelete(name, sync)


class _RecordingFile(apsw.VFSFile):
    def __init__(self, disk: Disk, name: Any, flags: list[int]) -> None:
        self._disk = disk
        path = name.filename() if isinstance(name, apsw.URIFilename) else name
        self._name = Path(path).name
        super().__init__("", name, flags)

    def xWrite(self, packed: bytes, at: int) -> None:
        self._disk.refuse("write", self._name)
        super().xWrite(packed, at)
        self._disk.note("write", self._name, at, bytes(packed))

    def xTruncate(self, size: int) -> None:
        super().xTruncate(size)
        self._disk.note("truncate", self._name, size)

    def xSync(self, flags: int) -> None:
        self._disk.refuse("sync", self._name)
        super().xSync(flags)
        self._disk.note("sync", self._name)
        self._disk.note("name", self._name)  # SQLite syncs the folder of a new log with it

    def xDeviceCharacteristics(self) -> int:
        return int(apsw.SQLITE_IOCAP_POWERSAFE_OVERWRITE)  # SQLite's own assumption for a disk


class RecordingRing(RingFile):
    """The ring's file, noted in the same order."""

    disk: Disk  # set by :func:`ring_on`

    def __init__(self, path: Path) -> None:
        self._name = path.name
        self.disk.refuse("open", self._name)
        super().__init__(path)

    def write(self, packed: bytes, at: int) -> None:
        self.disk.refuse("write", self._name)
        super().write(packed, at)
        self.disk.note("write", self._name, at, packed)

    def sync(self) -> None:
        self.disk.refuse("sync", self._name)
        self.disk.note("sync", self._name)
        self.disk.note("name", self._name)  # its maker syncs the folder before the first record


def ring_on(disk: Disk) -> type[RecordingRing]:
    return type("Ring", (RecordingRing,), {"disk": disk})


class Connection:
    """What the archive needs of sqlite3's connection, over one of APSW's on the recording VFS."""

    def __init__(self, path: Path, disk: Disk) -> None:
        self._disk = disk
        self._name = path.name
        with _as_sqlite3():
            self._connection = apsw.Connection(str(path), vfs=RECORDING)
            # No shared memory through this VFS: the only connection keeps the log to itself.
            self._connection.execute("PRAGMA locking_mode = exclusive")

    def execute(self, sql: str, parameters: Any = ()) -> _Cursor:
        with _as_sqlite3():
            if sql == "COMMIT":
                self._commit()
                sql = "SELECT 1"
            return _Cursor(self._connection.execute(sql, parameters), self._connection)

    def _commit(self) -> None:
        """A commit is done once the log is synced; what follows in the same call is a
        checkpoint. SQLite lets that fail in silence, APSW raises what its VFS has raised."""
        before = len(self._disk.operations)
        try:
            self._connection.execute("COMMIT")
        except (apsw.Error, OSError):
            if not self._log_synced(self._disk.operations[before:]):
                raise

    def _log_synced(self, since: list[Operation]) -> bool:
        """Whether frames, and not only the log's header, were written and then synced."""
        log = [o for o in since if o.file == f"{self._name}-wal" and o.kind in ("write", "sync")]
        frames = [number for number, o in enumerate(log) if o.kind == "write" and o.at > 0]
        return any(o.kind == "sync" for o in log[min(frames, default=len(log)) :])

    def executemany(self, sql: str, rows: Any) -> None:
        with _as_sqlite3():
            self._connection.executemany(sql, rows)

    @property
    def in_transaction(self) -> bool:
        return self._connection.in_transaction

    def close(self) -> None:
        with suppress(apsw.Error, OSError):  # sqlite3 does not tell of it either
            self._connection.close()


class _Cursor:
    def __init__(self, cursor: apsw.Cursor, connection: apsw.Connection) -> None:
        self._cursor = cursor
        self.rowcount = connection.changes()

    def fetchone(self) -> Any:
        with _as_sqlite3():
            return self._cursor.fetchone()

    def fetchall(self) -> list[Any]:
        with _as_sqlite3():
            return self._cursor.fetchall()

    def __iter__(self) -> Iterator[Any]:
        return iter(self.fetchall())


class _as_sqlite3:
    """APSW's errors as sqlite3's."""

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, trouble: BaseException | None, _: object) -> None:
        if isinstance(trouble, apsw.Error | OSError):
            raise sqlite3.OperationalError(f"{type(trouble).__name__}: {trouble}") from trouble


# ---------------------------------------------------------------- as after the cut


@dataclass(slots=True)
class _File:
    synced: bytes
    named: bool
    pending: list[Operation] = field(default_factory=list)


class Rebuilder:
    """Builds the files as after a cut behind any operation. Cuts must be asked for ascending."""

    def __init__(self, operations: list[Operation], before: dict[str, bytes]) -> None:
        """``before``: the files as they lay there, synced, before the first operation."""
        self._operations = operations
        self._files = {name: _File(packed, True) for name, packed in before.items()}
        self._done = 0

    def cut(self, behind: int, rng: random.Random, sector_bytes: int) -> dict[str, bytes]:
        for operation in self._operations[self._done : behind]:
            self._advance(operation)
        self._done = behind
        found = {}
        for name, file in self._files.items():
            if file.named or rng.random() < 0.5:
                found[name] = _after_cut(file, rng, sector_bytes)
        return found

    def _advance(self, operation: Operation) -> None:
        file = self._files.setdefault(operation.file, _File(b"", False))
        if operation.kind == "name":
            file.named = True
        elif operation.kind == "sync":
            file.synced = _applied(file.synced, file.pending)
            file.pending = []
        else:
            file.pending.append(operation)


def _applied(packed: bytes, operations: list[Operation]) -> bytes:
    changed = bytearray(packed)
    for operation in operations:
        if operation.kind == "truncate":
            del changed[operation.at :]
            changed.extend(bytes(operation.at - len(changed)))
        else:
            end = operation.at + len(operation.packed)
            changed.extend(bytes(max(0, end - len(changed))))
            changed[operation.at : end] = operation.packed
    return bytes(changed)


def _after_cut(file: _File, rng: random.Random, sector_bytes: int) -> bytes:
    """Every sector from a moment of its own among those since the last sync."""
    moments = [file.synced]
    for operation in file.pending:
        if operation.kind != "truncate" or rng.random() < 0.5:
            moments.append(_applied(moments[-1], [operation]))
    if len(moments) == 1:
        return file.synced
    mood = rng.random()  # a cut that keeps all, drops all or mixes
    size = len(rng.choice(moments)) if mood > 0.2 else len(moments[-1])
    changed = bytearray(moments[0][:size].ljust(size, b"\0"))
    touched = {
        sector
        for operation in file.pending
        for sector in range(
            operation.at // sector_bytes,
            -(-(operation.at + len(operation.packed)) // sector_bytes),
        )
    }
    for sector in touched:
        at, end = sector * sector_bytes, min((sector + 1) * sector_bytes, size)
        if at >= size:
            continue
        which = len(moments) - 1 if mood < 0.2 else rng.randrange(len(moments))
        changed[at:end] = moments[which][at:end].ljust(end - at, b"\0")
        if mood > 0.6 and rng.random() < 0.5:
            tear = at + rng.randrange(0, sector_bytes + 1, TEAR_BYTES if sector_bytes > 512 else 64)
            other = rng.choice(moments)
            changed[min(tear, end) : end] = other[min(tear, end) : end].ljust(
                end - min(tear, end), b"\0"
            )
    return bytes(changed)


def lay(folder: Path, files: dict[str, bytes]) -> None:
    for name, packed in files.items():
        (folder / name).write_bytes(packed)


def last_before(acknowledged: list[tuple[int, int, int]], behind: int) -> tuple[int, int]:
    """(stored up to, alerts seen) that was acknowledged before operation ``behind``."""
    at = bisect_right([index for index, _, _ in acknowledged], behind)
    return acknowledged[at - 1][1:] if at else (0, 0)
