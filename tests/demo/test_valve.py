"""The valve travels, hangs, leaks and chokes as its faults say."""

import numpy as np
import pytest

from sootsayer.demo.build import Make
from sootsayer.demo.faults import Fault, FaultKind, FaultTable
from sootsayer.demo.valve import Valve


def table(fault: Fault | None = None) -> FaultTable:
    faults = FaultTable([[fault] if fault else []], [1])
    now = np.array([0.0])
    faults.update(now, now + 60.0, now + 90.0)
    return faults


def after(seconds: float, asked: float, fault: Fault | None = None, step_s: float = 0.02) -> Valve:
    valve = Valve([Make()])
    faults = table(fault)
    for _ in range(round(seconds / step_s)):
        valve.step(step_s, np.array([asked]), faults)
    return valve


def time_to_90(fault: Fault | None = None) -> float:
    valve, faults = Valve([Make()]), table(fault)
    for count in range(2000):
        if valve.travel[0] >= 0.36:
            return count * 0.02
        valve.step(0.02, np.array([0.40]), faults)
    raise AssertionError("never got there")


def test_sound_valve_follows_within_a_second_and_slow_one_does_not() -> None:
    assert 0.3 <= time_to_90() <= 0.8
    assert time_to_90(Fault(FaultKind.VALVE_SLOW)) > 3.0


def test_full_opening_is_about_sixty_square_millimetres() -> None:
    assert 50.0 < after(5, 1.0).area_mm2[0] < 66.0
    assert after(5, 0.0).area_mm2[0] < 1e-6


@pytest.mark.parametrize("severity", [0.3, 0.7, 0.9, 0.97])
def test_choked_passage_leaves_its_part_of_full_flow(severity: float) -> None:
    clean = after(5, 1.0).area_mm2[0]
    choked = after(5, 1.0, Fault(FaultKind.PASSAGE_CHOKED, severity)).area_mm2[0]
    assert choked / clean == pytest.approx(1.0 - severity, rel=0.01)


def test_half_choked_passage_matters_less_at_small_openings() -> None:
    fault = Fault(FaultKind.PASSAGE_CHOKED, 0.6)
    small = after(5, 0.1, fault).area_mm2[0] / after(5, 0.1).area_mm2[0]
    large = after(5, 1.0, fault).area_mm2[0] / after(5, 1.0).area_mm2[0]
    assert small > 0.9
    assert large < 0.45


def test_stuck_shut_does_not_move_and_choked_does() -> None:
    assert after(5, 0.4, Fault(FaultKind.VALVE_STUCK_SHUT)).travel[0] < 0.01
    assert after(5, 0.4, Fault(FaultKind.PASSAGE_CHOKED)).travel[0] > 0.39


@pytest.mark.parametrize(
    ("kind", "shown"), [(FaultKind.VALVE_LEAKS, False), (FaultKind.VALVE_LEAKS_SHOWN, True)]
)
def test_leak_passes_gas_and_may_show_in_the_position(kind: FaultKind, shown: bool) -> None:
    fault = Fault(kind, 0.5)
    valve = after(5, 0.0, fault)
    assert valve.area_mm2[0] == pytest.approx(4.0, rel=0.15)
    assert (valve.sensed(table(fault), np.zeros(1))[0] > 0.04) is np.bool_(shown)


def test_position_offset_is_only_in_the_sensor() -> None:
    fault = Fault(FaultKind.POSITION_OFFSET)
    valve = after(5, 0.0, fault)
    assert valve.sensed(table(fault), np.zeros(1))[0] == pytest.approx(0.20)
    assert valve.area_mm2[0] < 1e-6
