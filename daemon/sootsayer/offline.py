"""Recordings through the whole pipeline at once: what `sootsayer judge` does."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from sootsayer.derive.frames import BLOCK_MS
from sootsayer.fingerprint import fingerprint
from sootsayer.live.coverage import Coverage
from sootsayer.model import Anchor, Batch, Changes, Identity, SootsayerError
from sootsayer.pipeline import Pipeline
from sootsayer.report.verdict_json import verdict_json
from sootsayer.sources.captures import UNIT, FrameDecoder, read_captures
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader
from sootsayer.vehicle import Vehicle

Progress = Callable[[int, int], None]

SQLITE_MAGIC = (
    b"SQLite format 3\x00"  # the first bytes of every SQLite file (sqlite.org/fileformat)
)
COMMIT_EVERY = 500_000  # samples; bounds memory, while a commit costs a few milliseconds
GAP_MS = 5_000  # the recorder's own measure: several missed polls are no gap
PART = ".part"  # an archive being made; it takes its name only when it is whole


def judge(
    captures: Sequence[Path],
    vehicle: Vehicle,
    keep: Path | None,
    progress: Progress,
    signals: FrameDecoder | None = None,
) -> dict[str, Any]:
    """The verdict over ``captures`` in the shape of ``judge --json``.

    ``captures``: one archive of ours, or any number of capture files. ``keep``: write all that
    was read and found into a new archive there; it appears only when everything succeeded.
    ``signals`` decodes the broadcasts of captures (`sources.dbc.load_dbc`).
    Raises SootsayerError for anything unreadable, or when ``keep`` exists.
    """
    if keep is not None:
        _refuse(keep, captures)
    batches, wall_ms = _opened(captures, progress, signals)
    notices: list[str] = []
    batches = with_last_block(_hearing(batches, notices))
    pipeline = Pipeline(vehicle)
    if keep is None:
        for batch in batches:
            pipeline.feed(batch)
    else:
        with _NewArchive(keep) as archive:
            feed_and_keep(batches, pipeline, archive)
            keep_judgement(pipeline, archive)
    verdict = verdict_json(pipeline.verdict(), wall_ms)
    verdict["notes"] += notices
    return verdict


def _refuse(keep: Path, captures: Sequence[Path]) -> None:
    """Raise SootsayerError where keeping would overwrite, or lose what only a copy keeps."""
    if keep.exists():
        raise SootsayerError(
            f"archive {keep} exists already and is left as it is; name a new file with --archive"
        )
    for path in captures:
        if is_archive(path):
            raise SootsayerError(
                f"recording {path} is an archive already; copy the file instead of --archive, "
                "so that its marks and its clock stay with it"
            )


def _hearing(batches: Iterator[Batch], notices: list[str]) -> Iterator[Batch]:
    """``batches``; what the reader of captures has to say of the files goes to ``notices``."""
    for batch in batches:
        notices += [
            event.value if event.key == "notice" else f"{event.key}: {event.value}"
            for event in batch.events
            if isinstance(event, Identity) and event.unit == UNIT
        ]
        yield batch


def keep_judgement(pipeline: Pipeline, archive: Archive) -> None:
    """The verdict, and what lets a recorder go on from here."""
    archive.apply(Changes(verdict=pipeline.verdict()))
    archive.put_state("fingerprint", fingerprint(pipeline.vehicle))
    archive.put_state("pipeline", pipeline.state())
    archive.commit()


def with_last_block(batches: Iterator[Batch]) -> Iterator[Batch]:
    """``batches``, and the silence that completes the pipeline's last block at the end."""
    upto_ms = None
    for batch in batches:
        upto_ms = batch.upto_ms
        yield batch
    if upto_ms is not None:
        yield Batch(-(-upto_ms // BLOCK_MS) * BLOCK_MS)


def _opened(
    captures: Sequence[Path], progress: Progress, signals: FrameDecoder | None
) -> tuple[Iterator[Batch], Callable[[int], int]]:
    """Their batches in order of time, and how their log time becomes wall time."""
    archives = [path for path in captures if is_archive(path)]
    if not archives:
        return read_captures(captures, progress, signals), lambda t_ms: t_ms
    if len(captures) > 1:
        raise SootsayerError(
            f"archive {archives[0]} cannot be judged together with other recordings, "
            "because their clocks cannot be compared; judge it alone"
        )
    reader = ArchiveReader(archives[0])
    return _from_archive(reader, archives[0], progress), lambda t_ms: reader.wall_ms(t_ms)[0]


def is_archive(path: Path) -> bool:
    """Whether it is an SQLite file, so that only the archive's reader can say more of it."""
    try:
        with path.open("rb") as file:
            return file.read(len(SQLITE_MAGIC)) == SQLITE_MAGIC
    except OSError as error:
        raise SootsayerError(
            f"recording {path} cannot be read: {error.strerror}; check the path"
        ) from error


def _from_archive(reader: ArchiveReader, path: Path, progress: Progress) -> Iterator[Batch]:
    span = reader.span()
    if span is None:
        raise SootsayerError(f"archive {path} holds no readings yet; record some first")
    first_ms, last_ms = span
    # What was said before the first reading and after the last counts, too: the key's turning
    # off may complete a block that the readings alone leave open.
    for batch in reader.batches():
        yield batch
        progress(min(batch.upto_ms, last_ms) - first_ms, last_ms - first_ms)


def feed_and_keep(
    batches: Iterator[Batch], pipeline: Pipeline, archive: Archive, source: str = "capture"
) -> None:
    """Store and judge; the log time of such batches is the time they state themselves.

    ``source``: whose clock that was, kept as the anchor.
    """
    coverage = Coverage(GAP_MS, None, "")
    anchored, uncommitted = False, 0
    for batch in batches:
        if not anchored and batch.series:
            first_ms = min(int(series.t_ms[0]) for series in batch.series)
            archive.anchor(Anchor(first_ms, first_ms, source != "capture", source))
            anchored = True
        archive.append(batch)
        archive.apply(pipeline.feed(batch))
        for gap in coverage.batch(batch):
            archive.gap(gap)
        uncommitted += batch.samples
        if uncommitted >= COMMIT_EVERY:
            archive.commit()
            uncommitted = 0


class _NewArchive:
    """A new archive under a temporary name, renamed at the end or taken away after trouble."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._part = path.with_name(path.name + PART)

    def __enter__(self) -> Archive:
        self._remove_part()
        self._archive = Archive.open(self._part)
        return self._archive

    def __exit__(self, trouble: object, *_: object) -> None:
        self._archive.close()
        if trouble is None:
            self._part.rename(self._path)
        self._remove_part()

    def _remove_part(self) -> None:
        for end in ("", "-wal", "-shm", "-ring", ".lock"):
            self._part.with_name(self._part.name + end).unlink(missing_ok=True)
