from __future__ import annotations

from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sootsayer import clock
from sootsayer.model import Anchor, Batch, Series
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader
from sootsayer_web.records import Records, Times
from web_story import SCALINGS

HOUR_MS = 3_600_000
BEGIN_MS = 1_790_000_000_000


class Boots:
    """A reader with two boots whose clocks were corrected by so much: a fake of that shape."""

    def __init__(self, path: Path, corrected_ms: tuple[int, int]) -> None:
        with Archive.open(path) as archive:
            for number, by_ms in enumerate(corrected_ms):
                start_ms = BEGIN_MS + number * 10 * HOUR_MS
                archive.begin_boot(f"boot {number}", 5_000, start_ms, False)
                archive.anchor(Anchor(start_ms + 1000, start_ms + 1000 + by_ms, True, "ntp"))
                t_ms = np.array([start_ms + HOUR_MS], dtype=np.int64)
                series = Series("map", SCALINGS["map"], t_ms, np.array([45]))
                archive.append(Batch(int(t_ms[0]), (series,)))
                archive.commit()
        self.times = Times(ArchiveReader(path))


@settings(max_examples=25, deadline=None)
@given(
    st.tuples(st.integers(-HOUR_MS, HOUR_MS), st.integers(-HOUR_MS, HOUR_MS)),
    st.integers(2000, 8 * HOUR_MS),
    st.integers(0, 1),
)
def test_wall_time_and_log_time_go_both_ways(
    tmp_path_factory: object, corrected_ms: tuple[int, int], into_ms: int, boot: int
) -> None:
    path = tmp_path_factory.mktemp("boots") / "a.db"  # type: ignore[attr-defined]
    times = Boots(path, corrected_ms).times
    t_ms = BEGIN_MS + boot * 10 * HOUR_MS + into_ms
    assert times.wall_ms(t_ms) == t_ms + corrected_ms[boot]
    assert times.log_ms(times.wall_ms(t_ms)) == t_ms


def test_now_is_exact_within_the_boot_that_is_recorded(tmp_path: Path) -> None:
    with Archive.open(tmp_path / "a.db") as archive:
        boot_ms = clock.boottime_ms()
        offset_ms = archive.begin_boot(clock.boot_id(), boot_ms, BEGIN_MS, False)
        archive.commit()
        times = Times(ArchiveReader(tmp_path / "a.db"))
        before_ms = clock.boottime_ms() + offset_ms
        assert before_ms <= times.now_ms() <= clock.boottime_ms() + offset_ms
        assert not times.trusted(times.now_ms())


def test_an_archive_of_another_boot_is_read_by_its_wall_clock(tmp_path: Path) -> None:
    times = Boots(tmp_path / "a.db", (0, 0)).times
    assert abs(times.now_ms() - clock.wall_ms()) < 1000


def test_the_archive_may_come_later_and_be_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    records = Records(path)
    assert records.open() is None and records.written_ms() == 0
    Archive.open(path).close()
    first = records.reader()
    assert first is not None and records.reader() is first
    assert abs(records.written_ms() - clock.wall_ms()) < 60_000
    Archive.open(tmp_path / "b.db").close()
    (tmp_path / "b.db").replace(path)
    assert records.reader() is not first
    path.unlink()
    assert records.reader() is None
