"""Figures of one moment of the invented car, as its control units know them."""

from __future__ import annotations

from sootsayer.demo.build import Make
from sootsayer.demo.control_unit import Moment, control_units
from sootsayer.demo.encoding import CONSTANT_COUNTS, monitor_cycle, monitor_status
from sootsayer.demo.ledger import Counting, Ledger
from sootsayer.demo.monitor import Memory

RAW = CONSTANT_COUNTS | Counting(Ledger()).raw() | {
    "fuelsys1": 2, "load_pct": 100, "ect": 128, "shrtft1": 126, "longft1": 130, "map": 63,
    "rpm": 8493, "vss": 87, "sparkadv": 191, "iat": 64, "maf": 2137, "tp": 65, "runtm": 777,
    "egr_pct": 64, "egr_err": 128, "baro": 99, "vpwr": 14070, "tp_r": 25, "aat": 52,
    "tac_pct": 38, "n_d_stat": 1, "egr_a_act": 64, "egrt11": 55, "app_d": 60,
    "monitor_status": monitor_status(Memory()), "monitor_cycle": monitor_cycle(True, 777.0),
}  # fmt: skip
MOMENT = Moment(RAW)


class ParkedCar:
    """A car that stands with these figures for ever, and remembers how far it was driven."""

    key_on = True
    cranking = False
    volts = 12.4
    units = control_units(Make())

    def __init__(self) -> None:
        self.at_ms: list[int] = []

    def advance(self, to_ms: int) -> None:
        self.at_ms.append(to_ms)

    def moment(self) -> Moment:
        return MOMENT
