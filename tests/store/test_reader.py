from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sootsayer.model import (
    Alert,
    AlertState,
    Batch,
    Changes,
    CodesRead,
    CodeStatus,
    Link,
    Scaling,
    Series,
    SootsayerError,
)
from sootsayer.store.archive import Archive
from sootsayer.store.reader import DAMAGED, ArchiveReader

Drive = Callable[..., Iterator[Batch]]
START = 1_764_000_000_000 // 3_600_000 * 3_600_000
FEW = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
UNIT = Scaling("counts", 1.0, 0.0, "")


def fill(path: Path, batches: Iterator[Batch], every: int = 4) -> Archive:
    archive = Archive.open(path)
    for number, batch in enumerate(batches, 1):
        archive.append(batch)
        if number % every == 0:
            archive.commit()
    archive.commit()
    return archive


@st.composite
def feeds(draw: st.DrawFn) -> list[Batch]:
    """Twenty minutes of three channels and looks for codes, cut anywhere."""
    length_ms = 1_200_000
    cuts = draw(st.lists(st.integers(1, length_ms - 1), max_size=12, unique=True))
    rng = np.random.default_rng(draw(st.integers(0, 1 << 30)))
    channels = []
    for name in ("a", "b", "c"):
        t_ms = START + np.sort(rng.integers(1, length_ms + 1, rng.integers(0, 400)))
        channels.append((name, t_ms, rng.integers(0, 256, len(t_ms))))
    looks = [
        CodesRead(START + int(t_ms), "7E8", CodeStatus.PENDING, int(t_ms) % 3)
        for t_ms in np.sort(rng.integers(1, length_ms + 1, 5))
    ]
    batches = []
    low_ms = START
    for high_ms in [START + cut for cut in [*sorted(cuts), length_ms]]:
        batches.append(
            Batch(
                high_ms,
                tuple(
                    Series(name, UNIT, t_ms[inside], raw[inside])
                    for name, t_ms, raw in channels
                    if (inside := (t_ms > low_ms) & (t_ms <= high_ms)).any()
                ),
                tuple(look for look in looks if low_ms < look.t_ms <= high_ms),
            )
        )
        low_ms = high_ms
    return batches


def together(batches: list[Batch]) -> dict[str, list[tuple[int, int]]]:
    result: dict[str, list[tuple[int, int]]] = {}
    for series in (series for batch in batches for series in batch.series):
        pairs = zip(series.t_ms.tolist(), series.raw.tolist(), strict=True)
        result.setdefault(series.channel, []).extend(pairs)
    return result


@FEW
@given(feed=feeds(), closed=st.booleans(), middle=st.integers(0, 1_200_000))
def test_replay_is_the_feed_again(
    tmp_path_factory: pytest.TempPathFactory, feed: list[Batch], closed: bool, middle: int
) -> None:
    path = tmp_path_factory.mktemp("replay") / "archive.db"
    archive = fill(path, iter(feed), 1)
    if closed:
        archive.close()
    with ArchiveReader(path) as reader:
        replay = list(reader.batches())
        halves = [*reader.batches(0, START + middle), *reader.batches(START + middle, START * 2)]
    if not closed:
        archive.close()
    assert together(replay) == together(feed)
    assert [e for batch in replay for e in batch.events] == [e for b in feed for e in b.events]
    assert together(halves) == together(feed)
    assert [e for batch in halves for e in batch.events] == [e for b in feed for e in b.events]
    upto_ms = 0
    for batch in replay:  # the promise of upto_ms
        stamps = [t for series in batch.series for t in series.t_ms.tolist()]
        stamps += [event.t_ms for event in batch.events]
        assert all(upto_ms < t_ms <= batch.upto_ms for t_ms in stamps)
        assert batch.upto_ms > upto_ms
        upto_ms = batch.upto_ms


def test_replay_tells_the_silence_at_the_end(path: Path, drive: Drive) -> None:
    archive = fill(path, drive(2))
    archive.append(
        Batch(START + 9_000, (), (CodesRead(START + 8_000, "7E8", CodeStatus.PENDING, 0),))
    )
    archive.commit()
    with ArchiveReader(path) as reader:
        assert list(reader.batches())[-1].upto_ms == START + 8_000
    archive.close()


def test_replay_goes_on_while_the_writer_joins_chunks(path: Path, drive: Drive) -> None:
    """Replay begins over minutes; before its end they are one chunk of ten."""
    archive = fill(path, drive(9 * 60 + 30))
    with ArchiveReader(path) as reader:
        replay = reader.batches()
        got = [next(replay)]
        for batch in drive(90, start_ms=START + 9 * 60_000 + 30_000):
            archive.append(batch)
        archive.commit()
        got += list(replay)
    archive.close()
    stamps = [t for t, _ in together(got)["rpm"]]
    assert stamps == list(range(START + 100, START + 11 * 60_000 + 1, 100))


def test_series_are_cut_at_the_span(path: Path, drive: Drive) -> None:
    fill(path, drive(130)).close()
    with ArchiveReader(path) as reader:
        (found,) = reader.series("rpm", START + 59_900, START + 60_100)
        assert found.t_ms.tolist() == [START + 60_000, START + 60_100]
        assert reader.series("rpm", START + 200_000, START + 300_000) == []
        assert reader.series("boost", START, START + 1000) == []


def test_channels_count_what_is_in_the_tail(path: Path, drive: Drive) -> None:
    archive = fill(path, drive(65))
    with ArchiveReader(path) as reader:
        rpm, mp = reader.channels()
        assert (rpm.name, rpm.first_ms, rpm.last_ms) == ("rpm", START + 100, START + 65_000)
        assert rpm.samples == mp.samples == 650
        assert reader.span() == (START + 100, START + 65_000)
        assert reader.size()["samples"] == 1300
        archive.close()
        assert [row.samples for row in reader.channels()] == [650, 650]
        assert reader.size()["bytes"] == path.stat().st_size  # nothing is left in the log


def test_a_new_archive_is_empty_and_not_an_error(path: Path) -> None:
    Archive.open(path).close()
    with ArchiveReader(path) as reader:
        assert reader.channels() == reader.trips() == reader.alerts() == list(reader.batches())
        assert reader.span() is reader.verdict() is reader.state("x") is None
        assert reader.size()["bytes_per_sample"] is None
        assert reader.check() == []


def test_alerts_by_link_and_state(
    archive: Archive, path: Path, alert: Callable[..., Alert]
) -> None:
    old = alert(START, state=AlertState.CLEARED, cleared_ms=START + 9)
    new = alert(START + 50, rule="M1", link=Link.MOVE)
    own = alert(START + 20, rule="disk", link=None)
    archive.apply(Changes(alerts=(old, new, own)))
    archive.commit()
    with ArchiveReader(path) as reader:
        assert [row.alert for row in reader.alerts()] == [new, own, old]
        assert [row.alert for row in reader.alerts(link=Link.FLOW)] == [old]
        assert [row.alert for row in reader.alerts(state=AlertState.OPEN)] == [new, own]
        assert reader.alerts(Link.MOVE, AlertState.CLEARED) == []


def test_many_threads_read_while_one_writes(path: Path, drive: Drive) -> None:
    archive = fill(path, drive(20))
    wrong: list[object] = []
    done = threading.Event()

    def read(reader: ArchiveReader) -> None:
        while not done.is_set():
            stamps = reader.series("rpm", 0, 1 << 60)[0].t_ms
            if stamps.tolist() != list(range(START + 100, int(stamps[-1]) + 1, 100)):
                wrong.append(stamps)
            if not len(reader.envelope("rpm", START, START + 900_000, 50).t_ms):
                wrong.append("no envelope")

    with ArchiveReader(path) as reader:
        threads = [threading.Thread(target=read, args=(reader,)) for _ in range(4)]
        for thread in threads:
            thread.start()
        for number, batch in enumerate(drive(640, start_ms=START + 20_000)):
            archive.append(batch)
            if number % 4 == 3:
                archive.commit()
        done.set()
        for thread in threads:
            thread.join(20)
            assert not thread.is_alive()
    archive.close()
    assert wrong == []


def test_the_data_version_is_one_for_all_threads(path: Path, drive: Drive) -> None:
    archive = fill(path, drive(2))
    seen: list[int] = []
    with ArchiveReader(path) as reader:
        thread = threading.Thread(target=lambda: seen.append(reader.data_version()))
        thread.start()
        thread.join(10)
        assert seen == [reader.data_version()]
        archive.put_state("a", 1)
        archive.commit()
        assert reader.data_version() != seen[0]
    archive.close()


# ---------------------------------------------------------------- damage


def test_a_damaged_chunk_is_a_gap_and_the_rest_is_whole(path: Path, drive: Drive) -> None:
    fill(path, drive(1800)).close()
    connection = sqlite3.connect(path)
    connection.execute(
        "UPDATE chunk SET body = substr(body, 1, 99) || x'00' || substr(body, 101) "
        "WHERE start_ms = ?",
        (START + 600_000,),
    )
    connection.commit()
    connection.close()
    with ArchiveReader(path) as reader:
        stamps = reader.series("rpm", 0, 1 << 60)[0].t_ms
        assert len(stamps) == 12_000
        (gap,) = reader.gaps()
        assert (gap.start_ms, gap.end_ms) == (START + 600_000, START + 1_200_000)
        assert gap.reason == DAMAGED
        assert sum(batch.samples for batch in reader.batches()) == 24_000
    with ArchiveReader(path) as reader:
        assert reader.check() == [gap]


def test_every_bit_turned_in_a_stored_body_is_found(path: Path, drive: Drive) -> None:
    """200 random bits of the file that hold bodies, turned one at a time."""
    fill(path, drive(600)).close()
    connection = sqlite3.connect(path)
    ((body,),) = connection.execute("SELECT body FROM chunk").fetchall()
    connection.close()
    whole = path.read_bytes()
    rng = np.random.default_rng(8)
    piece = bytes(body[-2000:])  # in an overflow page, in one stretch
    at = whole.index(piece[:64])
    for bit in rng.integers(0, 8 * 64, 200).tolist():
        damaged = bytearray(whole)
        damaged[at + bit // 8] ^= 1 << bit % 8
        path.write_bytes(damaged)
        with ArchiveReader(path) as reader:
            assert [gap.reason for gap in reader.check()] == [DAMAGED]
    path.write_bytes(whole)
    with ArchiveReader(path) as reader:
        assert reader.check() == []


@pytest.mark.parametrize("from_byte", [100, 4096, 8192])
def test_a_file_with_its_pages_lost_is_an_error_in_one_line(
    path: Path, drive: Drive, from_byte: int
) -> None:
    fill(path, drive(700)).close()
    whole = path.read_bytes()
    path.write_bytes(whole[:from_byte] + bytes(len(whole) - from_byte))
    with pytest.raises(SootsayerError) as caught, ArchiveReader(path) as reader:
        reader.check()
        reader.channels()
        list(reader.batches())
        raise SootsayerError("; ".join(gap.reason for gap in reader.check()))
    assert "\n" not in str(caught.value)
    assert str(caught.value)
