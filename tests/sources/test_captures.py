"""Recordings of a session: text of two forms, several units, foreign frames, tables, logs."""

from __future__ import annotations

import os
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import can
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sootsayer.model import Batch, CodeSeen, Identity, SootsayerError
from sootsayer.sources.captures import read_captures

START_S = 1_700_000_000


def line(t_s: float, address: str, body: str, interface: str = "can0") -> str:
    return f"({START_S + t_s:.6f}) {interface} {address}#{body.replace(' ', '')}"


SESSION = [
    line(0.000, "7DF", "02 01 00 00 00 00 00 00"),
    line(0.010, "7E8", "06 41 00 18 3B 80 01 AA"),
    line(0.012, "7E9", "06 41 00 00 08 00 01 AA"),
    line(0.100, "7DF", "07 01 2C 2D 0C 0B 10 11"),
    line(0.105, "123", "DE AD BE EF"),
    line(0.110, "7E8", "10 0F 41 2C 40 2D 80 0C"),
    line(0.111, "7E0", "30 00 00 00 00 00 00 00"),
    line(0.112, "7E9", "03 41 0D 33 AA AA AA AA"),
    line(0.115, "7E8", "21 1A F8 0B 5A 10 01 F4"),
    line(0.116, "4A5", "10 0F 41 2C 40 2D 80 0C"),
    line(0.120, "7E8", "22 11 55 AA AA AA AA AA"),
    line(0.200, "7E8", "03 41 0D 32 AA AA AA AA"),
    line(0.300, "7E8", "04 43 01 04 01 AA AA AA"),
    line(0.400, "7E8", "03 7F 01 12 AA AA AA AA"),
]
VALUES = {
    # SAE J1979 formulas on the bytes above
    "egr_pct": [25.098039],
    "egr_err": [0.0],
    "rpm": [1726.0],
    "map": [90.0],
    "maf": [5.0],
    "tp": [33.333333],
    "vss": [50.0],
    "vss@7E9": [51.0],
}


def write(path: Path, lines: Sequence[str]) -> Path:
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def values(batches: Sequence[Batch]) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {}
    for batch in batches:
        for series in batch.series:
            found.setdefault(series.channel, []).extend(series.values().round(6).tolist())
    return found


def since_start(batches: Sequence[Batch]) -> list[int]:
    """Stamps of a recording of one channel, ms after START_S."""
    return [
        t_ms - START_S * 1000
        for batch in batches
        for series in batch.series
        for t_ms in series.t_ms.tolist()
    ]


def words(batches: Sequence[Batch], key: str) -> list[str]:
    return [
        event.value
        for batch in batches
        for event in batch.events
        if isinstance(event, Identity) and event.key == key
    ]


def test_a_log_gives_every_reading_with_its_stamp(tmp_path: Path) -> None:
    batches = list(read_captures([write(tmp_path / "a.log", SESSION)]))
    assert values(batches) == VALUES
    stamps = {s.channel: s.t_ms.tolist() for batch in batches for s in batch.series}
    assert stamps["egr_pct"] == stamps["tp"] == [START_S * 1000 + 120]
    codes = [e.code for batch in batches for e in batch.events if isinstance(e, CodeSeen)]
    assert codes == ["P0401"]
    assert batches[-1].upto_ms == START_S * 1000 + 400


def for_the_eye(text: str) -> str:
    stamp, interface, frame = text.split()
    address, body = frame.split("#")
    pairs = " ".join(body[at : at + 2] for at in range(0, len(body), 2))
    return f" {stamp}  {interface}  {address:>8}   [{len(body) // 2}]  {pairs}   '........'"


def test_the_form_for_the_eye_gives_the_same(tmp_path: Path) -> None:
    path = write(tmp_path / "eye.txt", [for_the_eye(text) for text in SESSION])
    assert values(list(read_captures([path]))) == VALUES


def test_lower_case_other_line_ends_and_a_missing_last_one_change_nothing(tmp_path: Path) -> None:
    path = tmp_path / "ends.log"
    path.write_bytes("\r\n".join(SESSION).lower().encode())
    assert values(list(read_captures([path]))) == VALUES


def test_addresses_of_29_bits(tmp_path: Path) -> None:
    swapped = [
        text.replace(" 7E8#", " 18DAF110#")
        .replace(" 7E9#", " 18DAF118#")
        .replace(" 7DF#", " 18DB33F1#")
        for text in SESSION
    ]
    found = values(list(read_captures([write(tmp_path / "b.log", swapped)])))
    assert found.pop("vss@18DAF118") == [51.0]
    assert found == {k: v for k, v in VALUES.items() if "@" not in k}


def test_garbage_between_is_counted(tmp_path: Path) -> None:
    spoiled = ["hello", *SESSION[:5], "(17#", line(0.106, "7E8", "21 00"), *SESSION[5:], "\x00\xff"]
    spoiled.append(line(0.5, "7E8", "#1").replace("##1", "##1AABBCC"))
    batches = list(read_captures([write(tmp_path / "c.log", spoiled)]))
    assert values(batches) == VALUES
    [passed] = words(batches, "passed over")
    assert "3 × lines that are no frame" in passed
    assert "1 × frame without a beginning" in passed
    assert "1 × frames of CAN FD" in passed
    assert "1 × refused" in passed


def test_several_files_come_in_the_order_of_their_first_stamps(tmp_path: Path) -> None:
    early = write(tmp_path / "z.log", SESSION)
    late = write(
        tmp_path / "a.log", [line(100.0, "7E8", "03 41 0D 40"), line(101.0, "7E8", "03 41 0D 41")]
    )
    heard: list[tuple[int, int]] = []
    batches = list(read_captures([late, early], lambda done, total: heard.append((done, total))))
    assert values(batches)["vss"] == [50.0, 64.0, 65.0]
    size = early.stat().st_size + late.stat().st_size
    assert heard[-1] == (size, size)
    assert [done for done, _ in heard] == sorted(done for done, _ in heard)


def test_batches_follow_each_other_and_cover_all(tmp_path: Path) -> None:
    lines = [line(number * 0.5, "7E8", f"03 41 0D {number % 200:02X}") for number in range(1000)]
    batches = list(read_captures([write(tmp_path / "long.log", lines)]))
    assert len(batches) > 5
    assert values(batches)["vss"] == [number % 200 for number in range(1000)]
    uptos = [batch.upto_ms for batch in batches]
    assert uptos == sorted(uptos)
    for before, batch in zip(uptos, batches[1:], strict=False):
        for series in batch.series:
            assert before < series.t_ms.min() and series.t_ms.max() <= batch.upto_ms


# ---------------------------------------------------------------- stamps


def test_without_stamps_they_are_made_up_and_that_is_said(tmp_path: Path) -> None:
    path = write(tmp_path / "bare.txt", [text.split(" ", 1)[1] for text in SESSION])
    os.utime(path, (START_S, START_S))
    batches = list(read_captures([path]))
    assert values(batches) == VALUES
    [notice] = words(batches, "notice")
    assert notice.startswith("bare.txt: no stamps; replies are taken to be 50 ms apart")
    assert START_S * 1000 < batches[-1].upto_ms < START_S * 1000 + 10_000


def test_stamps_from_zero_begin_when_the_file_was_changed(tmp_path: Path) -> None:
    path = write(
        tmp_path / "zero.log",
        ["(000.500000) can0 7E8#03410D32", "(010.500000) can0 7E8#03410D33"],
    )
    os.utime(path, (START_S, START_S))
    batches = list(read_captures([path]))
    stamps = [t for batch in batches for s in batch.series for t in s.t_ms.tolist()]
    assert stamps == [START_S * 1000 + 500, START_S * 1000 + 10_500]
    assert "stamps count from the beginning" in words(batches, "notice")[0]


def test_stamps_from_frame_to_frame_are_added_up(tmp_path: Path) -> None:
    lines = [f"({delta}) can0 7E8#03410D32" for delta in ["0.000000", "0.500000", "0.200000"] * 5]
    path = write(tmp_path / "delta.log", lines)
    os.utime(path, (START_S, START_S))
    batches = list(read_captures([path]))
    stamps = [
        t - START_S * 1000 for batch in batches for s in batch.series for t in s.t_ms.tolist()
    ]
    assert stamps[:6] == [0, 500, 700, 700, 1200, 1400]


def test_dates_are_taken_as_utc(tmp_path: Path) -> None:
    path = write(
        tmp_path / "date.txt", ["(2023-11-14 22:13:20.250000)  can0  7E8  [4]  03 41 0D 32"]
    )
    [batch] = read_captures([path])
    assert batch.upto_ms == START_S * 1000 + 250  # 2023-11-14T22:13:20Z is 1 700 000 000


def test_a_clock_that_was_set_back_never_runs_backward(tmp_path: Path) -> None:
    lines = [
        line(100, "7E8", "03 41 0D 01"),
        line(101, "7E8", "03 41 0D 02"),
        line(40, "7E8", "03 41 0D 03"),
        line(42, "7E8", "03 41 0D 04"),
    ]
    batches = list(read_captures([write(tmp_path / "back.log", lines)]))
    stamps = [
        t - START_S * 1000 for batch in batches for s in batch.series for t in s.t_ms.tolist()
    ]
    assert stamps == [100_000, 101_000, 102_000, 104_000]
    assert words(batches, "notice") == [
        "back.log: the clock runs back by 61 s; what follows was moved behind"
    ]


# ---------------------------------------------------------------- what cannot be used


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SootsayerError, match=r"none\.log cannot be read: No such file"):
        list(read_captures([tmp_path / "none.log"]))


@pytest.mark.parametrize("content", [b"", b"hello\nworld\n", bytes(range(256)) * 50])
def test_a_file_of_something_else_is_named_with_what_was_expected(
    tmp_path: Path, content: bytes
) -> None:
    path = tmp_path / "other.log"
    path.write_bytes(content)
    with pytest.raises(SootsayerError, match=r"other\.log holds nothing .* expected lines such as"):
        list(read_captures([path]))


def test_a_bus_without_a_session_is_told_apart(tmp_path: Path) -> None:
    path = write(tmp_path / "bus.log", [line(n, "123", "00 11") for n in range(5)])
    with pytest.raises(SootsayerError, match="holds 5 frames but none from a control unit"):
        list(read_captures([path]))


PIECES = st.sampled_from([text + "\n" for text in SESSION]) | st.text(
    "0123456789ABCDEF#() .can[]\n\r\t-:", max_size=30
)


@given(st.lists(PIECES | st.binary(max_size=20).map(lambda b: b.decode("latin-1")), max_size=40))
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_no_noise_raises_anything_but_the_one_clear_line(tmp_path: Path, pieces: list[str]) -> None:
    path = tmp_path / "noise.log"
    path.write_text("".join(pieces), encoding="latin-1")
    try:
        batches = list(read_captures([path]))
    except SootsayerError as trouble:
        assert str(path) in str(trouble) and "\n" not in str(trouble)
        return
    for before, after in pairwise(batches):
        assert before.upto_ms <= after.upto_ms


# ---------------------------------------------------------------- other formats


@pytest.mark.parametrize("suffix", [".asc", ".blf", ".trc"])
def test_logs_that_python_can_wrote_give_the_same(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"log{suffix}"
    with can.Logger(path) as logger:
        for text in SESSION:
            stamp, _, frame = text.split()
            address, body = frame.split("#")
            logger.on_message_received(
                can.Message(
                    timestamp=float(stamp[1:-1]),
                    arbitration_id=int(address, 16),
                    is_extended_id=False,
                    data=bytes.fromhex(body),
                    channel=1,
                )
            )
    assert values(list(read_captures([path]))) == VALUES


def test_a_damaged_log_is_named(tmp_path: Path) -> None:
    path = tmp_path / "bad.blf"
    path.write_bytes(b"not a log at all" * 20)
    with pytest.raises(SootsayerError, match=r"bad\.blf is damaged or not what its name says"):
        list(read_captures([path]))


def test_a_table_with_named_columns(tmp_path: Path) -> None:
    path = write(
        tmp_path / "t.csv",
        [
            "time,rpm,map [inHg],egr_pct,ect (°F),colour",
            "2023-11-14T22:13:20Z,812.5,10,25.1,212,blue",
            "2023-11-14T22:13:21Z,820,,0,,red",
            "2023-11-14T22:13:22Z,oops,,,,",
        ],
    )
    batches = list(read_captures([path]))
    found = values(batches)
    assert found["rpm"] == pytest.approx([812.5, 820.0])
    assert found["map"] == pytest.approx([33.864], abs=1e-3)  # NIST SP 811: 3.386389 kPa
    assert found["egr_pct"] == pytest.approx([25.098, 0.0], abs=1e-3)
    assert found["ect"] == pytest.approx([100.0])
    assert words(batches, "notice") == ["t.csv: columns passed over: colour"]
    assert "1 × cells that are no number" in words(batches, "passed over")[0]


@pytest.mark.parametrize("first", ["1700000000.5", "1700000000500", "2023-11-14 22:13:20.500"])
def test_times_of_a_table(tmp_path: Path, first: str) -> None:
    path = write(tmp_path / "t.csv", ["Time;rpm", f"{first};800"])
    [batch] = read_captures([path])
    assert batch.upto_ms == START_S * 1000 + 500


def test_a_table_from_zero(tmp_path: Path) -> None:
    path = write(tmp_path / "t.csv", ["time,rpm", "0.0,800", "0.5,810"])
    os.utime(path, (START_S, START_S))
    [batch] = read_captures([path])
    assert batch.series[0].t_ms.tolist() == [START_S * 1000, START_S * 1000 + 500]


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("time,speed_of_dog", "has no column that names a channel; found speed_of_dog"),
        ("time,map [furlong]", r"column 'map \[furlong\]' has the unit 'furlong'; give it in kPa"),
        ("time,rpm", "has a header but no reading"),
    ],
)
def test_tables_that_cannot_be_used(tmp_path: Path, header: str, message: str) -> None:
    path = write(tmp_path / "t.csv", [header])
    with pytest.raises(SootsayerError, match=message):
        list(read_captures([path]))
