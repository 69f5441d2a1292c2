"""An archive judged again: the verdict that was kept with it, wherever the recording ended."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest

from sootsayer.demo.journeys import Driven, drive
from sootsayer.demo.recording import batches, journeys
from sootsayer.demonstration import CAR
from sootsayer.derive.frames import BLOCK_MS
from sootsayer.offline import feed_and_keep, judge, keep_judgement, with_last_block
from sootsayer.pipeline import Pipeline
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader


@pytest.fixture(scope="module")
def trip() -> Driven:
    [driven] = drive(journeys(trips=1, minutes=9.0))
    return driven


@pytest.mark.parametrize(
    ("after_boundary_ms", "readings_reach_it"), [(4, False), (5000, True), (9999, True)]
)
def test_the_verdict_does_not_hang_on_where_the_key_went_off(
    trip: Driven, tmp_path: Path, after_boundary_ms: int, readings_reach_it: bool
) -> None:
    """The key goes off so long after the end of a block."""
    start_ms = trip.start_ms - trip.key_off_ms % BLOCK_MS + after_boundary_ms
    recorded = batches([dataclasses.replace(trip, start_ms=start_ms)])
    last_ms = max(int(series.t_ms[-1]) for series in recorded[-1].series)
    assert (last_ms // BLOCK_MS == recorded[-1].upto_ms // BLOCK_MS) == readings_reach_it

    pipeline, archive_path = Pipeline(CAR), tmp_path / "archive.db"
    with Archive.open(archive_path) as archive:
        feed_and_keep(with_last_block(iter(recorded)), pipeline, archive)
        keep_judgement(pipeline, archive)
    again = json.loads(json.dumps(judge([archive_path], CAR, None, lambda done, whole: None)))
    with ArchiveReader(archive_path) as reader:
        kept = reader.verdict()
    assert kept is not None
    assert {name: again[name] for name in kept} == kept
