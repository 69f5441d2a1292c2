"""A car in another guise: it is another car but for what a subclass says otherwise."""

from __future__ import annotations

from collections.abc import Sequence

from sootsayer.demo.at_commands import Car, Unit
from sootsayer.demo.control_unit import Moment


class Guise:
    """Passes everything on to ``car``."""

    def __init__(self, car: Car) -> None:
        self._car = car

    @property
    def units(self) -> Sequence[Unit]:
        return self._car.units

    @property
    def key_on(self) -> bool:
        return self._car.key_on

    @property
    def volts(self) -> float:
        return self._car.volts

    @property
    def cranking(self) -> bool:
        return self._car.cranking

    def advance(self, to_ms: int) -> None:
        self._car.advance(to_ms)

    def moment(self) -> Moment:
        return self._car.moment()
