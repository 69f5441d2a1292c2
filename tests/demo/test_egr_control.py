"""Permission, command, and the error figure by the rules of SAE J1979."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sootsayer.demo.build import Feedback, Make
from sootsayer.demo.egr_control import MOST_ASKED, EgrControl
from sootsayer.demo.engine_control import Sensed
from sootsayer.demo.faults import Fault, FaultKind, FaultTable

ONE = np.ones(1)
CRUISE = Sensed(
    rpm=2000 * ONE, intake_kpa=60 * ONE, air_g_s=18 * ONE, coolant_c=90 * ONE, intake_c=25 * ONE,
    speed_km_h=90 * ONE, pedal=0.2 * ONE, run_s=600 * ONE,
)  # fmt: skip
FULL_KG = 2.4e-3 * 1.17


def asked_after(
    seconds: float = 5.0,
    fill: float = 0.5,
    engaged: bool = True,
    cut: bool = False,
    since_shift_s: float = 9.0,
    forced: bool = False,
    fault: Fault | None = None,
    **conditions: float,
) -> float:
    control = EgrControl([Make()])
    faults = FaultTable([[fault] if fault else []], [1])
    faults.update(0 * ONE, ONE, ONE)
    sensed = replace(CRUISE, **{name: value * ONE for name, value in conditions.items()})
    for _ in range(round(seconds * 10)):
        control.step(
            0.1, sensed, fill * FULL_KG * ONE, np.array([engaged]), since_shift_s * ONE,
            np.array([cut]), np.array([forced]), faults,
        )  # fmt: skip
    return float(control.asked[0])


def test_warm_cruise_opens_to_its_map() -> None:
    assert asked_after() == pytest.approx(MOST_ASKED, abs=0.02)
    assert 0.0 < asked_after(fill=0.25) < 0.6 * MOST_ASKED


@pytest.mark.parametrize(
    "condition",
    [
        {"coolant_c": 60.0}, {"speed_km_h": 25.0}, {"pedal": 0.0}, {"pedal": 0.9}, {"run_s": 20.0},
        {"rpm": 900.0}, {"rpm": 3700.0}, {"fill": 0.1}, {"fill": 0.9}, {"engaged": False},
        {"cut": True}, {"since_shift_s": 0.3}, {"forced": True},
        {"fault": Fault(FaultKind.GEAR_INPUT)},
    ],
)  # fmt: skip
def test_any_missing_condition_keeps_it_shut(condition: dict[str, float]) -> None:
    assert asked_after(**condition) == 0.0  # type: ignore[arg-type]


def test_it_waits_before_it_opens_and_opens_gradually() -> None:
    assert asked_after(1.0) == 0.0
    assert 0.0 < asked_after(1.5) < 0.9 * MOST_ASKED


@pytest.mark.parametrize("condition", [{"coolant_c": 20.0}, {"pedal": 0.95, "fill": 0.95}])
def test_wrongly_asked(condition: dict[str, float]) -> None:
    fault = Fault(FaultKind.ASKED_WRONG)
    assert asked_after(fault=fault, **condition) > 0.3  # type: ignore[arg-type]
    assert asked_after(fault=fault, rpm=720.0, pedal=0.0, fill=0.2) == 0.0


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_error_is_actual_against_command(asked: float, travel: float) -> None:
    control = EgrControl([Make()])
    control.asked = np.array([asked])
    actual = control.actual(np.array([travel]), np.zeros(1), np.ones(1))
    error = control.error_pct(actual)[0]
    if asked > 0.01:
        assert error == pytest.approx(100.0 * (actual[0] - asked) / asked, abs=1e-6)
    elif asked == 0.0:
        assert error == (100.0 if actual[0] > 0.0 else 0.0)


def test_an_echoing_unit_never_sees_an_error() -> None:
    control = EgrControl([Make(feedback=Feedback.ECHO)])
    control.asked = np.array([0.4])
    assert control.error_pct(control.actual(np.array([0.0]), np.zeros(1), np.ones(1)))[0] == 0.0
