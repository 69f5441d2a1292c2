"""An archive that cannot be written yet: what is to be stored waits in memory.

A card that went read-only, or a disk that is full, must not keep the recorder from reading the
car. Every commit tries to open the archive; when it opens, all that waited is handed over in
order, and from then on this is the archive itself.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from pathlib import Path

from sootsayer.model import Anchor, Batch, Changes, Gap, Mark, SootsayerError
from sootsayer.store import booting
from sootsayer.store.archive import Archive
from sootsayer.store.booting import LAST_STORED
from sootsayer.store.device_key import DeviceKey
from sootsayer.store.retention import Policy, Tidied
from sootsayer.store.ring_view import RingView
from sootsayer.store.rows import ring_done
from sootsayer.store.schema import ArchiveRefusedError, Refusal, open_reader
from sootsayer.store.unchunked import BUFFER_MAX_SAMPLES, DROPPED
from sootsayer.store.writer import ArchiveWriter

Step = Callable[[Archive], object]


class PatientArchive:
    """Made by :func:`open_patiently`; an `ArchiveWriter` as `Archive` is."""

    def __init__(self, path: Path, key: DeviceKey | None) -> None:
        """Raises SootsayerError if there is no archive of ours that can be read."""
        self.path = path
        self._key = key
        self._archive: Archive | None = None
        self._steps: deque[Step | Batch] = deque()
        self._states: dict[str, object] = {}
        self._samples = 0
        self._frozen = open_reader(path, frozen=True)
        newest_ms = booting.number(self._frozen, LAST_STORED)
        salt = ring_done(self._frozen).salt
        # Every commit leaves a record, so the ring knows the newest time, whatever the log holds.
        records = RingView(path).look(salt)
        self._upto_ms = max([newest_ms, *(record.chunk.end_ms for record in records)])

    @property
    def upto_ms(self) -> int:
        return self._archive.upto_ms if self._archive else self._upto_ms

    @property
    def waiting_samples(self) -> int:
        return self._archive.waiting_samples if self._archive else self._samples

    def begin_boot(self, boot_id: str, boottime_ms: int, wall_ms: int, trusted: bool) -> int:
        said = (boot_id, boottime_ms, wall_ms, trusted)
        if self._archive:
            return self._archive.begin_boot(*said)
        boot = booting.boot_of(self._frozen, boot_id, boottime_ms, wall_ms, self._upto_ms)
        self._upto_ms = max(self._upto_ms, boottime_ms + boot.offset_ms)
        self._do(lambda a: a.begin_boot(*said, offset_ms=boot.offset_ms))
        return boot.offset_ms

    def append(self, batch: Batch) -> None:
        if self._archive:
            return self._archive.append(batch)
        self._upto_ms = max(self._upto_ms, batch.upto_ms)
        self._samples += batch.samples
        self._steps.append(batch)
        if self._samples > BUFFER_MAX_SAMPLES:
            self._drop_oldest()
        return None

    def apply(self, changes: Changes) -> None:
        self._do(lambda a: a.apply(changes))

    def anchor(self, anchor: Anchor) -> None:
        self._do(lambda a: a.anchor(anchor))

    def mark(self, mark: Mark) -> None:
        self._do(lambda a: a.mark(mark))

    def gap(self, gap: Gap) -> None:
        self._do(lambda a: a.gap(gap))

    def put_state(self, name: str, value: object) -> None:
        if self._archive:
            self._archive.put_state(name, value)
        else:
            self._states[name] = value  # only the last word counts

    def commit(self) -> None:
        self._opened().commit()

    def hold(self, start_ms: int, end_ms: int, reason: str) -> None:
        self._opened().hold(start_ms, end_ms, reason)

    def tidy(self, policy: Policy, now_ms: int, free_bytes: int) -> Tidied:
        return self._opened().tidy(policy, now_ms, free_bytes)

    def close(self) -> None:
        self._opened().close()

    # ------------------------------------------------------------ inside

    def _opened(self) -> Archive:
        if self._archive is None:
            self._archive = self._handed_over(Archive.open(self.path, self._key))
        return self._archive

    def _do(self, step: Step) -> None:
        if self._archive:
            step(self._archive)
        else:
            self._steps.append(step)

    def _handed_over(self, archive: Archive) -> Archive:
        try:
            for step in self._steps:
                if isinstance(step, Batch):
                    archive.append(step)
                else:
                    step(archive)
        except SootsayerError:
            archive.close()
            raise
        for name, value in self._states.items():
            archive.put_state(name, value)
        self._steps.clear()
        self._states.clear()
        self._frozen.close()
        return archive

    def _drop_oldest(self) -> None:
        """Memory is finite: half of what waits becomes a gap."""
        kept: deque[Step | Batch] = deque()
        dropped: list[Batch] = []
        for step in self._steps:
            if isinstance(step, Batch) and self._samples > BUFFER_MAX_SAMPLES // 2:
                self._samples -= step.samples
                dropped.append(step)
                # What was said beside readings is small, and is kept.
                kept.append(Batch(step.upto_ms, (), step.events))
            else:
                kept.append(step)
        self._steps = kept
        stamps = [int(s.t_ms[0]) for batch in dropped for s in batch.series if len(s.t_ms)]
        self.gap(Gap(min(stamps) - 1, dropped[-1].upto_ms, DROPPED))


def open_patiently(path: Path, key: DeviceKey | None = None) -> ArchiveWriter:
    """The archive, or where the disk does not let it be written, one that waits for that.

    Raises SootsayerError for what waiting would not mend: a file that is not ours, another
    recorder, or an archive that does not exist and cannot be made.
    """
    try:
        return Archive.open(path, key)
    except ArchiveRefusedError as refused:
        if refused.refusal is Refusal.DAMAGED or not path.exists():
            raise
        try:
            return PatientArchive(path, key)
        except (SootsayerError, ValueError):
            raise refused from None
