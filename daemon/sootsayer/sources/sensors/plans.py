"""What sensors a person named in the settings, ``[sensors.NAME]``, as frozen values.

Raises SootsayerError naming file, sensor, key and value for anything that is wrong.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sootsayer.protocol.calibration import Calibration, calibration_from
from sootsayer.protocol.j1979 import scaling_of
from sootsayer.toml_table import Table

# Channels that only an added sensor gives, by the unit in which the rules take them.
ADDED_UNITS: Mapping[str, str] = {
    "egr_vacuum_kpa": "kPa",
    "vacuum_source_kpa": "kPa",
    "egr_passage_c": "°C",
    "egr_pressure_v": "V",
    "egr_solenoid_duty_pct": "%",
    "egr_solenoid_period_ms": "ms",
    "egr_contact": "",
    "ignition_line": "",
    "supply_v": "V",
}
PERIOD_SUFFIX = "_period_ms"
_CHANNEL = re.compile(r"[a-z][a-z0-9_]{0,39}")
_INPUT = re.compile(r"(voltage|current|temp|pressure)(?:\d*|_ambient|_object)(?:-voltage\d+)?")
_ONE_WIRE = re.compile(r"[0-9a-f]{2}-[0-9a-f]{12}")


@dataclass(frozen=True, slots=True)
class IioPlan:
    """``input`` without "in_" and "_raw": "voltage0", "temp_object"."""

    name: str
    device: str
    input: str
    period_s: float
    calibration: Calibration

    @property
    def quantity(self) -> str:
        """What is measured: voltage, current, temp, pressure."""
        found = _INPUT.fullmatch(self.input)
        return found.group(1) if found else ""


@dataclass(frozen=True, slots=True)
class OneWirePlan:
    name: str
    device: str
    period_s: float
    calibration: Calibration


@dataclass(frozen=True, slots=True)
class LinePlan:
    """An input line. ``chip``: a path or the chip's label; ``line``: its number there.

    ``active_low``: on means that the line is pulled to ground.
    """

    name: str
    chip: str
    line: int
    pull: str
    active_low: bool
    debounce_ms: int


@dataclass(frozen=True, slots=True)
class ContactPlan:
    name: str
    line: LinePlan
    channel: str
    period_s: float


@dataclass(frozen=True, slots=True)
class DutyPlan:
    name: str
    line: LinePlan
    channel: str
    period_channel: str
    window_s: float


@dataclass(frozen=True, slots=True)
class ButtonPlan:
    name: str
    line: LinePlan
    text: str


SensorPlan = IioPlan | OneWirePlan | ContactPlan | DutyPlan | ButtonPlan
KINDS = ("iio", "one-wire", "contact", "duty", "button")


def sensor_plans(stated: Mapping[str, Any], where: str) -> tuple[SensorPlan, ...]:
    """``stated``: the table ``sensors``, name → keys. Messages begin with ``where``."""
    plans = []
    owners: dict[str, str] = {}
    for name, keys in stated.items():
        place = f"{where}: sensors.{name}"
        table = Table(keys if isinstance(keys, Mapping) else {}, place)
        if not isinstance(keys, Mapping):
            raise table.wrong(f"{keys!r} is no table; write [sensors.{name}] on a line of its own")
        plan = _plan(table, name)
        table.end()
        for channel in channels_of(plan):
            if channel in owners:
                raise table.wrong(f"channel {channel!r} is also given by {owners[channel]}")
            owners[channel] = f"sensors.{name}"
        plans.append(plan)
    return tuple(plans)


def channels_of(plan: SensorPlan) -> tuple[str, ...]:
    """Channels that a sensor gives; a button gives none."""
    match plan:
        case IioPlan() | OneWirePlan():
            return (plan.calibration.channel,)
        case ContactPlan():
            return (plan.channel,)
        case DutyPlan():
            return (plan.channel, plan.period_channel)
    return ()


def _plan(table: Table, name: str) -> SensorPlan:
    kind = table.choice("kind", KINDS)
    if kind == "iio":
        return _iio(table, name)
    if kind == "one-wire":
        return _one_wire(table, name)
    line = _line(table, name, debounce_ms=0 if kind == "duty" else 20)
    if kind == "button":
        return ButtonPlan(name, line, table.text("text", "button pressed"))
    channel = _channel(table)
    if kind == "contact":
        return ContactPlan(name, line, channel, table.number("period_s", 0.1, 3600, 1.0))
    base = channel.removesuffix("_duty_pct")
    window_s = table.number("window_s", 0.1, 60, 0.5)
    return DutyPlan(name, line, channel, base + PERIOD_SUFFIX, window_s)


def _iio(table: Table, name: str) -> IioPlan:
    source = table.text("input")
    if not _INPUT.fullmatch(source):
        raise table.wrong(
            f"input = {source!r}; name it as the kernel does, such as voltage0, "
            "voltage0-voltage1, temp or pressure (in_voltage0_raw without in_ and _raw)"
        )
    return IioPlan(
        name=name,
        device=table.text("device"),
        input=source,
        period_s=table.number("period_s", 0.02, 3600, 0.5),
        calibration=_calibration(table),
    )


def _one_wire(table: Table, name: str) -> OneWirePlan:
    device = table.text("device")
    if not _ONE_WIRE.fullmatch(device):
        raise table.wrong(
            f"device = {device!r}; name it as the folder under /sys/bus/w1/devices, "
            "such as 28-0123456789ab"
        )
    # one conversion alone takes 0.75 s
    period_s = table.number("period_s", 1.0, 3600, 2.0)
    return OneWirePlan(name, device, period_s, _calibration(table))


def _line(table: Table, name: str, debounce_ms: int) -> LinePlan:
    return LinePlan(
        name=name,
        chip=table.text("chip"),
        line=table.whole("line", 0, 1023),
        pull=table.choice("pull", ("up", "down", "none"), "none"),
        active_low=table.yes("active_low", True),
        debounce_ms=table.whole("debounce_ms", 0, 1000, debounce_ms),
    )


def _channel(table: Table) -> str:
    channel = table.text("channel")
    if not _CHANNEL.fullmatch(channel):
        raise table.wrong(f"channel = {channel!r}; small letters, digits and _, a letter first")
    return channel


def _calibration(table: Table) -> Calibration:
    channel = _channel(table)
    return calibration_from(table, channel, _unit_of(channel))


def _unit_of(channel: str) -> str | None:
    """The unit in which the rules take a channel, None for one they do not know."""
    if channel in ADDED_UNITS:
        return ADDED_UNITS[channel]
    try:
        return scaling_of(channel).unit
    except KeyError:
        return None
