"""Parquet, MDF 4 and SQLite rows, read back by pyarrow, asammdf and sqlite3."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import asammdf
import numpy as np
import pyarrow.parquet as pq
import pytest

from sootsayer.exporting import Wanted, export
from sootsayer.model import Anchor, Batch, Scaling, Series, SootsayerError
from sootsayer.store.archive import Archive

RPM = Scaling("rpm_quarter", 0.25, 0.0, "rpm")
ECT = Scaling("celsius_40", 1.0, -40.0, "°C")
LOG = 1_700_000_000_000 // 3_600_000 * 3_600_000
WALL = 1_794_909_600_000  # date -u -d 2026-11-17T10:00:00Z, in ms
ALL = Wanted(None, None, None, None, False)
COUNT = 25 * 600


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """25 minutes under a clock that was corrected by years at the end; a bit of it in the ring."""
    archive = Archive.open(tmp_path / "archive.db")
    archive.begin_boot("a", 0, LOG, False)
    t_ms = LOG + 1 + np.arange(COUNT) * 100
    slow = t_ms[::50]
    archive.append(
        Batch(
            int(t_ms[-1]),
            (
                Series("rpm", RPM, t_ms, t_ms % 9_973),
                Series("ect", ECT, slow, 100 + slow // 5_000 % 40),
            ),
        )
    )
    archive.anchor(Anchor(LOG + 1_200_000, WALL + 1_200_000, True, "phone"))
    archive.commit()
    yield tmp_path / "archive.db"
    archive.close()


def test_parquet_has_units_utc_and_every_reading(path: Path, tmp_path: Path) -> None:
    seen = []
    rows = export(path, ALL, str(tmp_path / "a.parquet"), "parquet", lambda *s: seen.append(s))
    table = pq.read_table(tmp_path / "a.parquet")
    assert rows == len(table) == COUNT + COUNT // 50
    assert seen == [(1, 3), (2, 3), (3, 3)]
    assert str(table.schema.field("utc").type) == "timestamp[ms, tz=UTC]"
    rpm = table.filter(np.array(table["channel"]) == "rpm")
    assert rpm["raw"].to_pylist() == [(LOG + 1 + i * 100) % 9_973 for i in range(COUNT)]
    assert rpm["value"].to_pylist() == [raw * 0.25 for raw in rpm["raw"].to_pylist()]
    assert set(rpm["unit"].to_pylist()) == {"rpm"}
    assert rpm["utc"][0].as_py().isoformat() == "2026-11-17T10:00:00.001000+00:00"
    assert pq.ParquetFile(tmp_path / "a.parquet").num_row_groups == 3  # it was written in pieces


def test_mdf4_has_units_utc_and_every_reading(path: Path, tmp_path: Path) -> None:
    export(path, ALL, str(tmp_path / "a.mf4"), "mdf4")
    with asammdf.MDF(tmp_path / "a.mf4") as file:
        assert file.start_time.timestamp() * 1000 == WALL + 1
        raw = file.get("rpm", raw=True)
        assert raw.samples.tolist() == [(LOG + 1 + i * 100) % 9_973 for i in range(COUNT)]
        assert np.allclose(raw.timestamps, np.arange(COUNT) / 10, atol=1e-6)
        ect = file.get("ect")
        assert ect.unit == "°C"
        assert ect.samples[:3].tolist() == [60.0 + (LOG + 1) // 5_000 % 40 + i for i in range(3)]


def test_sqlite_rows_answer_plain_sql(path: Path, tmp_path: Path) -> None:
    rows = export(path, ALL, str(tmp_path / "rows.db"), "sqlite")
    connection = sqlite3.connect(tmp_path / "rows.db")
    assert connection.execute("SELECT count(*) FROM reading").fetchone() == (rows,)
    first = connection.execute(
        "SELECT utc, value, unit, raw FROM reading WHERE channel = 'ect' ORDER BY log_ms LIMIT 1"
    ).fetchone()
    raw = 100 + (LOG + 1) // 5_000 % 40
    assert first == ("2026-11-17T10:00:00.001Z", raw - 40.0, "°C", raw)
    connection.close()


@pytest.mark.parametrize("form", ["parquet", "mdf4", "sqlite"])
def test_a_span_and_a_channel_are_cut_out_of_the_corrected_time(
    path: Path, tmp_path: Path, form: str
) -> None:
    wanted = Wanted(None, "2026-11-17T10:05:00Z", "2026-11-17T10:12:00Z", ["ect"], False)
    assert export(path, wanted, str(tmp_path / "part"), form) == 7 * 60 // 5
    assert not list(tmp_path.glob("*.part*"))


@pytest.mark.parametrize("form", ["parquet", "mdf4", "sqlite"])
def test_nothing_is_overwritten_and_nothing_half_done_left(
    path: Path, tmp_path: Path, form: str
) -> None:
    (tmp_path / "there").write_text("mine")
    with pytest.raises(SootsayerError, match="exists already"):
        export(path, ALL, str(tmp_path / "there"), form)
    assert (tmp_path / "there").read_text() == "mine"
    with pytest.raises(SootsayerError, match="channel nothing"):
        export(path, Wanted(None, None, None, ["nothing"], False), str(tmp_path / "new"), form)
    with pytest.raises(SootsayerError, match="standard output"):
        export(path, ALL, "-", form)
    assert not list(tmp_path.glob("new*"))


def test_mdf4_refuses_a_clock_that_runs_backward(path: Path, tmp_path: Path) -> None:
    second = tmp_path / "second.db"
    with Archive.open(second) as archive:
        for boot, wall_ms in (("a", WALL + 9_000_000), ("b", WALL)):
            offset_ms = archive.begin_boot(boot, 0, wall_ms, True)
            t_ms = offset_ms + np.arange(1_000, 60_001, 1_000)
            archive.append(Batch(int(t_ms[-1]), (Series("rpm", RPM, t_ms, t_ms % 99),)))
    with pytest.raises(SootsayerError, match="runs backward"):
        export(second, ALL, str(tmp_path / "b.mf4"), "mdf4")
    assert export(second, ALL, str(tmp_path / "b.parquet"), "parquet") == 120


def test_a_missing_library_is_named(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "sootsayer.report.parquet", None)
    with pytest.raises(SootsayerError, match=r"pip install 'sootsayer\[export\]'"):
        export(path, ALL, str(tmp_path / "a.parquet"), "parquet")


def test_recorder_and_dashboard_import_neither_library(path: Path) -> None:
    """Nor pandas, which sqlite-utils would bring along."""
    code = (
        "import sys, sootsayer.watching, sootsayer.exporting, sootsayer_web.serving;"
        "from pathlib import Path; from sootsayer.store.reader import ArchiveReader;"
        "ArchiveReader(Path(sys.argv[1])).span();"
        "print([m for m in ('pyarrow', 'asammdf', 'pandas') if m in sys.modules])"
    )
    command = [sys.executable, "-c", code, str(path)]
    said = subprocess.run(command, capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"
