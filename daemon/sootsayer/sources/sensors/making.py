"""Makes sources of what the settings say about sensors."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from sootsayer.clock import LogClock
from sootsayer.sources.sensors.kernel_files import IioReader, OneWireReader
from sootsayer.sources.sensors.line_sensors import Button, Contact, SolenoidDuty
from sootsayer.sources.sensors.lines import OpenLine, library, open_line
from sootsayer.sources.sensors.plans import (
    ButtonPlan,
    ContactPlan,
    DutyPlan,
    IioPlan,
    OneWirePlan,
    SensorPlan,
    sensor_plans,
)
from sootsayer.sources.sensors.polled import PolledSensor

SYSFS = Path("/sys")

SensorSource = PolledSensor | Contact | SolenoidDuty | Button


def sensor_sources(
    stated: Mapping[str, Any],
    where: str,
    sysfs: Path = SYSFS,
    opens: OpenLine = open_line,
) -> dict[str, Callable[[LogClock], SensorSource]]:
    """Makers by source name, one for each ``[sensors.NAME]``.

    A device that is not there yet is waited for; raises SootsayerError for what is wrong in the
    settings, and for input lines without the library that they need.
    """
    plans = sensor_plans(stated, where)
    if opens is open_line and any(_needs_line(plan) for plan in plans):
        library()
    return {f"sensor {plan.name}": partial(_made, plan, sysfs, opens) for plan in plans}


def _needs_line(plan: SensorPlan) -> bool:
    return isinstance(plan, ContactPlan | DutyPlan | ButtonPlan)


def _made(plan: SensorPlan, sysfs: Path, opens: OpenLine, clock: LogClock) -> SensorSource:
    match plan:
        case IioPlan():
            reader = IioReader(plan, sysfs)
            return PolledSensor(plan.name, reader, plan.calibration, plan.period_s, clock)
        case OneWirePlan():
            wire = OneWireReader(plan, sysfs)
            return PolledSensor(plan.name, wire, plan.calibration, plan.period_s, clock)
        case ContactPlan():
            return Contact(plan, opens, clock)
        case DutyPlan():
            return SolenoidDuty(plan, opens, clock)
        case ButtonPlan():
            return Button(plan, opens, clock)
