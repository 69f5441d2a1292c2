from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from sootsayer.model import Batch, Scaling, Series, SootsayerError
from sootsayer.report.export import export_alert, export_span
from sootsayer.store.archive import Archive
from sootsayer.store.reader import ArchiveReader

START = 1_764_000_000_000
VIN = "TESTVIN0000000042"


def parsed(text: str) -> tuple[list[str], list[str], list[list[str]]]:
    """Preamble lines, headings, rows: read as any spreadsheet reads them."""
    lines = text.splitlines()
    preamble = [line for line in lines if line.startswith("#")]
    headings, *rows = csv.reader(lines[len(preamble) :])
    return preamble, headings, rows


def exported(path: Path, *given: object, **named: object) -> str:
    out = io.StringIO()
    with ArchiveReader(path) as reader:
        count = export_span(reader, out, *given, **named)  # type: ignore[arg-type]
    assert count == len(parsed(out.getvalue())[2])
    return out.getvalue()


def column(headings: list[str], rows: list[list[str]], name: str) -> list[tuple[int, float]]:
    at = headings.index(name)
    return [(int(row[1]), float(row[at])) for row in rows if row[at]]


def test_every_reading_is_in_its_cell_and_no_other(recording: Path) -> None:
    _, headings, rows = parsed(exported(recording))
    assert headings == ["utc", "log_ms", "rpm [rpm]", "map [kPa]"]
    with ArchiveReader(recording) as reader:
        for name in ("rpm", "map"):
            (series,) = reader.series(name, 0, 1 << 60)
            heading = f"{name} [{series.scaling.unit}]"
            pairs = list(zip(series.t_ms.tolist(), series.values().tolist(), strict=True))
            assert column(headings, rows, heading) == pairs
    stamps = [int(row[1]) for row in rows]
    assert stamps == sorted(set(stamps))


def test_the_first_column_is_utc(recording: Path) -> None:
    _, _, rows = parsed(exported(recording))
    for utc, log_ms, *_ in rows[::97]:
        moment = datetime.fromisoformat(utc)
        assert moment.tzinfo == UTC
        assert round(moment.timestamp() * 1000) == int(log_ms)  # the clock was right here


def test_the_preamble_says_of_what_when_and_how_sure(recording: Path) -> None:
    preamble, _, _ = parsed(exported(recording, START + 60_000, START + 70_000))
    assert "# vehicle: Blue estate" in preamble
    assert "# clock: trusted" in preamble
    assert any("2025-11-24T16:01:00.000Z to 2025-11-24T16:01:10.000Z" in p for p in preamble)
    gap = "# gap: 2025-11-24T16:01:05.000Z to 2025-11-24T16:01:25.000Z: adapter unplugged"
    assert gap in preamble
    before, _, _ = parsed(exported(recording, START, START + 65_000))
    assert not any(line.startswith("# gap") for line in before)


def test_the_vin_is_masked_unless_asked_for(recording: Path) -> None:
    assert VIN not in exported(recording)
    assert "# VIN: *************0042" in exported(recording)
    assert f"# VIN: {VIN}" in exported(recording, show_vin=True)


def test_a_clock_that_was_never_set_is_said(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    with Archive.open(path) as archive:
        archive.begin_boot("a", 0, 5_000, False)
        unit = Scaling("counts", 1.0, 0.0, "")
        archive.append(Batch(9_000, (Series("rpm", unit, np.array([6_000]), np.array([7])),)))
    preamble, headings, rows = parsed(exported(path))
    assert any(line.startswith("# clock: not trusted from 1970-01-01") for line in preamble)
    assert (headings[2], rows) == ("rpm", [["1970-01-01T00:00:06.000Z", "6000", "7"]])


def test_chosen_channels_and_span(recording: Path) -> None:
    _, headings, rows = parsed(exported(recording, START, START + 2_050, ["map"]))
    assert headings == ["utc", "log_ms", "map [kPa]"]
    assert [int(row[1]) for row in rows] == [START + 1_050, START + 2_050]


def test_two_readings_with_one_stamp_make_two_rows(tmp_path: Path) -> None:
    path = tmp_path / "archive.db"
    coarse, fine = Scaling("coarse", 1.0, 0.0, "V"), Scaling("fine", 0.1, 0.0, "V")
    other = Scaling("other", 1.0, 0.0, "mA")
    t_ms = np.array([100, 100, 200])
    with Archive.open(path) as archive:
        archive.append(
            Batch(
                500,
                (
                    Series("o2s11", coarse, t_ms, np.array([1, 2, 3])),
                    Series("o2s11", fine, np.array([200]), np.array([5])),
                    Series("o2s11", other, np.array([200]), np.array([9])),
                ),
            )
        )
    _, headings, rows = parsed(exported(path))
    assert headings[2:] == ["o2s11 [V]", "o2s11 [mA]"]
    assert [row[1:] for row in rows] == [
        ["100", "1", ""],
        ["100", "2", ""],
        ["200", "3", "9"],
        ["200", "0.5", ""],
    ]


def test_an_alert_brings_its_channels_and_what_was_around_it(recording: Path) -> None:
    out = io.StringIO()
    with ArchiveReader(recording) as reader:
        count = export_alert(reader, out, 1, padding_s=5)
    preamble, headings, rows = parsed(out.getvalue())
    assert headings[2:] == ["rpm [rpm]", "map [kPa]"]  # the car has no boost
    stamps = [int(row[1]) for row in rows]
    assert (min(stamps), max(stamps)) == (START + 85_050, START + 105_000)
    assert count == len(rows)
    said = "# alert: Hardly any gas although the valve opened (F1, open). In 3 of 9 openings"
    assert any(line.startswith(said) for line in preamble)


def test_what_is_not_there_is_named(recording: Path, tmp_path: Path) -> None:
    Archive.open(tmp_path / "new.db").close()
    with ArchiveReader(recording) as reader, ArchiveReader(tmp_path / "new.db") as empty:
        with pytest.raises(SootsayerError, match="alert 9: not in the archive; it has: 1"):
            export_alert(reader, io.StringIO(), 9)
        with pytest.raises(SootsayerError, match=r"channel boost: .* it has: map, rpm"):
            export_span(reader, io.StringIO(), channels=["rpm", "boost"])
        with pytest.raises(SootsayerError, match="no readings"):
            export_span(empty, io.StringIO())
