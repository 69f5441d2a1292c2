"""Bytes of the invented control unit read back by scapy and by the standard's own formulas."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.contrib.automotive.obd.obd import OBD

from sootsayer.demo.build import Feedback, Make, Metering
from sootsayer.demo.cars import CHANNELS, ROW
from sootsayer.demo.encoding import (
    CONSTANT_COUNTS,
    channels_of,
    counts,
    monitor_cycle,
    monitor_status,
    pid_bytes,
    support_bitmap,
    supported_pids,
)
from sootsayer.demo.monitor import Memory
from sootsayer.demo.recording import scaling_told

SENT = {
    "fuelsys1": 2, "load_pct": 41.0, "ect": 88.0, "shrtft1": -3.1, "longft1": 2.3, "map": 63.0,
    "rpm": 2123.25, "vss": 87.0, "sparkadv": 31.5, "iat": 24.0, "maf": 21.37, "tp": 25.5,
    "runtm": 777, "egr_pct": 25.1, "egr_err": -50.0, "baro": 99.0, "vpwr": 14.07, "tp_r": 9.8,
    "aat": 12.0, "tac_pct": 14.9, "n_d_stat": 1, "egr_a_act": 12.5, "egrt11": 180.0, "app_d": 21.6,
}  # fmt: skip
# PID, channel, half a count: those that scapy is known to read as J1979 says (its PID 10 is not)
SCAPY_READS = [
    (0x04, "load_pct", 0.2), (0x05, "ect", 0.5), (0x0B, "map", 0.5), (0x0C, "rpm", 0.13),
    (0x0D, "vss", 0.5), (0x0E, "sparkadv", 0.25), (0x0F, "iat", 0.5), (0x11, "tp", 0.2),
    (0x1F, "runtm", 0.5), (0x2C, "egr_pct", 0.2), (0x2D, "egr_err", 0.4), (0x33, "baro", 0.5),
    (0x42, "vpwr", 5e-4), (0x45, "tp_r", 0.2), (0x46, "aat", 0.5), (0x4C, "tac_pct", 0.2),
]  # fmt: skip


def raw_of(**changed: float) -> dict[str, int]:
    values = np.array([(SENT | changed)[name] for name in CHANNELS], dtype=np.float64)
    return dict(zip(CHANNELS, counts(values).tolist(), strict=True)) | CONSTANT_COUNTS


def scapy_value(pid: int, content: bytes) -> float:
    record = OBD(bytes((0x41, pid)) + content)[1].data_records[0]
    return float(next(v for k, v in record.getlayer(1).fields.items() if k == "data"))


@pytest.mark.parametrize(("pid", "channel", "within"), SCAPY_READS)
def test_scapy_reads_what_was_sent(pid: int, channel: str, within: float) -> None:
    assert scapy_value(pid, pid_bytes(pid, raw_of())) == pytest.approx(SENT[channel], abs=within)


def test_air_flow_is_two_bytes_of_hundredths() -> None:
    # SAE J1979 PID 10: (256·A + B)/100 g/s
    assert pid_bytes(0x10, raw_of()) == (2137).to_bytes(2, "big")


@pytest.mark.parametrize("pid", [0x06, 0x07])
def test_trims_are_offset_binary(pid: int) -> None:
    # SAE J1979 PIDs 06 and 07: A·100/128 − 100 %
    channel = {0x06: "shrtft1", 0x07: "longft1"}[pid]
    assert pid_bytes(pid, raw_of())[0] * 100 / 128 - 100 == pytest.approx(SENT[channel], abs=0.4)


def test_egr_error_saturates_as_the_standard_asks() -> None:
    # J1979: FF when not shut at command 0, 80 when right, 00 when nothing moves
    for error, byte in ((100.0, 0xFF), (250.0, 0xFF), (0.0, 0x80), (-100.0, 0x00)):
        assert pid_bytes(0x2D, raw_of(egr_err=error)) == bytes((byte,))


def test_composite_recirculation_reads_in_scapy() -> None:
    record = OBD(b"\x41\x69" + pid_bytes(0x69, raw_of()))[1].data_records[0].getlayer(1)
    assert record.commanded_egr_a_duty_cycle == pytest.approx(25.1, abs=0.2)
    assert record.actual_egr_a_duty_cycle == pytest.approx(12.5, abs=0.2)
    assert record.egr_a_error == pytest.approx(-50.0, abs=0.4)


def test_passage_temperature_is_told_in_its_wide_range() -> None:
    # J1979 PID 6B (from memory): bit 4 sensor 11 in the wide range, 4 °C a count
    sent = pid_bytes(0x6B, raw_of(egrt11=180.0))
    assert sent == bytes((0x10, (180 + 40) // 4, 0, 0, 0))
    assert 0x6B in supported_pids(Make(passage_sensor=True)) - supported_pids(Make())


def test_gear_selector_is_one_supported_bit() -> None:
    # J1979 PID 65: byte A says which bits count, byte B bit 1 the automatic's neutral/drive state
    assert pid_bytes(0x65, raw_of(n_d_stat=1)) == b"\x02\x02"
    assert pid_bytes(0x65, raw_of(n_d_stat=0)) == b"\x02\x00"


@pytest.mark.parametrize("channel", CHANNELS)
def test_counts_are_those_that_the_reader_expects(channel: str) -> None:
    scaling = scaling_told(channel)
    values = np.tile(np.array([SENT[name] for name in CHANNELS])[:, None], 2)
    back = counts(values)[ROW[channel]] * scaling.scale + scaling.offset
    np.testing.assert_allclose(back, SENT[channel], atol=scaling.scale * 0.51)


def test_readiness_bytes() -> None:
    # J1979: byte A bit 7 lamp, bits 0–6 count; C bit 7 recirculation watched, D bit 7 not complete
    assert monitor_status(Memory()).to_bytes(4, "big") == b"\x00\x07\xe5\x00"
    lit = monitor_status(Memory(("P0401",), ("P0401",)))
    assert lit.to_bytes(4, "big")[0] == 0x81
    assert monitor_cycle(False, 400.0) & 0x80
    assert not monitor_cycle(True, 400.0) & 0x80


@given(st.frozensets(st.integers(1, 0xDF).filter(lambda pid: pid % 0x20 != 0)))
def test_support_bitmaps_name_exactly_the_supported(pids: frozenset[int]) -> None:
    found, base = set(), 0
    while bitmap := support_bitmap(base, pids):
        bits = int.from_bytes(bitmap, "big")
        found |= {base + 1 + place for place in range(32) if bits >> (31 - place) & 1}
        if not bits & 1:
            break
        base += 0x20
    assert found - {0x20, 0x40, 0x60, 0x80, 0xA0, 0xC0} == pids


def test_support_bitmap_example() -> None:
    # 0C, 0D and beyond 20: bits 12 and 13 from the top and the last
    assert support_bitmap(0, frozenset({0x0C, 0x0D, 0x2C})) == bytes.fromhex("00180001")


def test_a_make_gives_only_what_it_has() -> None:
    assert "map" not in channels_of(Make(metering=Metering.MAF))
    assert "maf" not in channels_of(Make(metering=Metering.MAP))
    assert "egr_err" not in channels_of(Make(feedback=Feedback.NONE))
    assert {0x0B, 0x10, 0x2C, 0x2D, 0x65} <= supported_pids(Make())
    assert 0x69 in supported_pids(Make(composite_egr=True))
