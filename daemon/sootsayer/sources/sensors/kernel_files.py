"""Sensors that the kernel shows as files: industrial I/O and 1-Wire thermometers.

Source of names and units: the kernel's sysfs-bus-iio ABI page, (raw + offset) × scale in
millivolts, milliamperes, thousandths of °C, kilopascals; the kernel's w1_therm page for the text
of ``w1_slave``.
"""

from __future__ import annotations

import errno
import re
from pathlib import Path

from sootsayer.model import Scaling
from sootsayer.sources.sensors.plans import IioPlan, OneWirePlan

IIO_DEVICES = Path("bus/iio/devices")
ONE_WIRE_DEVICES = Path("bus/w1/devices")
LONGEST_TEXT = 4096  # a page; the kernel gives no more
LARGEST_COUNT = 1 << 40  # beyond any converter; keeps garbage out of the archive

# quantity → (what one unit of the kernel is in ours, our unit)
_NATURAL = {
    "voltage": (0.001, "V"),
    "current": (0.001, "A"),
    "temp": (0.001, "°C"),
    "pressure": (1.0, "kPa"),
}
_MILLI_CELSIUS = Scaling("°C/1000", 0.001, 0.0, "°C")
POWER_ON_C = 85.0  # what such a thermometer holds before its first conversion
NEAR_POWER_ON_C = 5.0
_TEMPERATURE = re.compile(r"\bt=(-?\d{1,6})\b")


class GarbageError(ValueError):
    """The file was there but what it held is no reading."""


def _text(path: Path) -> str:
    with path.open("rb") as file:
        return file.read(LONGEST_TEXT).decode("ascii", "replace").strip()


def _number(path: Path) -> float:
    text = _text(path)
    try:
        found = float(text)
    except ValueError:
        raise GarbageError(f"{path.name} holds {text[:40]!r}, which is no number") from None
    if not abs(found) < LARGEST_COUNT:
        raise GarbageError(f"{path.name} holds {text[:40]!r}, which no converter gives")
    return found


class IioReader:
    """One input of one device, found by the device's name because numbers change at every boot."""

    def __init__(self, plan: IioPlan, sysfs: Path) -> None:
        self._plan = plan
        self._devices = sysfs / IIO_DEVICES
        self._file = Path()
        self._thousandths = False  # a file that holds a finished value, with decimals

    def open(self) -> Scaling:
        """Find device and input; what one count is. Raises OSError when they are not there."""
        folder = self._found()
        source, (unit_in_ours, unit) = self._plan.input, _NATURAL[self._plan.quantity]
        self._file = folder / f"in_{source}_raw"
        self._thousandths = not self._file.exists()
        if self._thousandths:
            self._file = folder / f"in_{source}_input"
            scale, offset = 0.001 * unit_in_ours, 0.0
        else:
            factor = self._shared(folder, "scale", 1.0) * unit_in_ours
            scale, offset = factor, self._shared(folder, "offset", 0.0) * factor
        if not self._file.exists():
            raise FileNotFoundError(errno.ENOENT, f"device has no input {source}", str(folder))
        return Scaling(f"iio {scale!r} {offset!r} {unit}", scale, offset, unit)

    def read(self) -> int:
        """One count. Raises OSError, GarbageError."""
        found = _number(self._file)
        return round(found * 1000) if self._thousandths else round(found)

    def _found(self) -> Path:
        wanted = self._plan.device
        matching = [
            name.parent
            for name in sorted(self._devices.glob("iio:device*/name"))
            if _text(name) == wanted
        ]
        if not matching:
            raise FileNotFoundError(errno.ENODEV, f"no device is named {wanted!r}",
                                    str(self._devices))  # fmt: skip
        if len(matching) > 1:
            raise OSError(errno.ENOTUNIQ, f"{len(matching)} devices are named {wanted!r}",
                          str(self._devices))  # fmt: skip
        return matching[0]

    def _shared(self, folder: Path, what: str, default: float) -> float:
        """``scale`` or ``offset``: of this input, or shared by all of its kind."""
        for name in dict.fromkeys((self._plan.input, self._plan.quantity)):
            path = folder / f"in_{name}_{what}"
            if path.exists():
                return _number(path)
        return default


def one_wire_count(text: str) -> int:
    """Thousandths of °C from the two lines of ``w1_slave``. Raises GarbageError."""
    lines = text.splitlines()
    if len(lines) < 2 or not lines[0].rstrip().endswith("YES"):
        raise GarbageError("its checksum is wrong, as with a long or loose wire")
    found = _TEMPERATURE.search(lines[1])
    if found is None:
        raise GarbageError("it tells no temperature")
    return int(found.group(1))


class OneWireReader:
    """A thermometer on a 1-Wire bus."""

    def __init__(self, plan: OneWirePlan, sysfs: Path) -> None:
        self._file = sysfs / ONE_WIRE_DEVICES / plan.device / "w1_slave"
        self._last_c: float | None = None

    def open(self) -> Scaling:
        if not self._file.exists():
            raise FileNotFoundError(errno.ENODEV, "no such thermometer", str(self._file.parent))
        self._last_c = None
        return _MILLI_CELSIUS

    def read(self) -> int:
        """One count. Raises OSError, GarbageError.

        Exactly 85 °C is what a thermometer says that has just lost its power; it is believed
        only when the reading before was near it.
        """
        count = one_wire_count(_text(self._file))
        celsius, last_c = count / 1000, self._last_c
        if celsius == POWER_ON_C and (last_c is None or abs(last_c - celsius) > NEAR_POWER_ON_C):
            raise GarbageError("it has just been powered and has not measured yet")
        self._last_c = celsius
        return count
