"""SAE J1939-71 parameters that matter here: where they lie and what they mean.

Numbers of parameters (SPN) were checked against an open list; places and factors are from memory
of the standard, and the tests hold them against cantools only, which checks the arithmetic. Bytes
count from 0 and are little-endian. Channel ids are those of J1979 where the meaning is the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from sootsayer.model import Scaling

RPM_EIGHTH = Scaling("rpm0.125", 0.125, 0.0, "rpm")
KM_H_256TH = Scaling("km/h1/256", 1 / 256, 0.0, "km/h")
PERCENT_04 = Scaling("pct0.4", 0.4, 0.0, "%")
PERCENT_1 = Scaling("pct1", 1.0, 0.0, "%")
PERCENT_TORQUE = Scaling("pct-125", 1.0, -125.0, "%")
PERCENT_400TH = Scaling("pct0.0025", 0.0025, 0.0, "%")
CELSIUS = Scaling("degc-40", 1.0, -40.0, "°C")
CELSIUS_32ND = Scaling("degc1/32-273", 0.03125, -273.0, "°C")
KPA_HALF = Scaling("kpa0.5", 0.5, 0.0, "kPa")
KPA_2 = Scaling("kpa2", 2.0, 0.0, "kPa")
KPA_128TH = Scaling("kpa1/128-250", 1 / 128, -250.0, "kPa")
# The standard's unit is kg/h at 0.05 a bit; air flow is g/s everywhere else in this program.
GRAMS_S = Scaling("g/s0.05/3.6", 0.05 / 3.6, 0.0, "g/s")
LITRES_H = Scaling("l/h0.05", 0.05, 0.0, "L/h")
VOLTS_20TH = Scaling("v0.05", 0.05, 0.0, "V")


@dataclass(frozen=True, slots=True)
class Parameter:
    """One or two whole bytes of a message."""

    spn: int
    channel: str
    start: int
    size: int
    scaling: Scaling

    @property
    def greatest(self) -> int:
        """The greatest valid integer; above lie error indicators and "not available"."""
        return 0xFA if self.size == 1 else 0xFAFF


def _one(spn: int, channel: str, start: int, scaling: Scaling) -> Parameter:
    return Parameter(spn, channel, start, 1, scaling)


def _two(spn: int, channel: str, start: int, scaling: Scaling) -> Parameter:
    return Parameter(spn, channel, start, 2, scaling)


EEC1, EEC2, EEC5, EEC7 = 61444, 61443, 64981, 64916
EGF1, ET1, ET2, IC1 = 61450, 65262, 65188, 65270
AMB, CCVS1, LFE1, VEP1 = 65269, 65265, 65266, 65271

PARAMETERS: Mapping[int, tuple[Parameter, ...]] = MappingProxyType(
    {
        EEC1: (
            _one(512, "tq_dd", 1, PERCENT_TORQUE),
            _one(513, "tq_act", 2, PERCENT_TORQUE),
            _two(190, "rpm", 3, RPM_EIGHTH),
        ),
        EEC2: (_one(91, "app_d", 1, PERCENT_04), _one(92, "load_pct", 2, PERCENT_1)),
        EEC5: (_two(2791, "egr_a_cmd", 4, PERCENT_400TH),),
        EEC7: (_two(27, "egr_a_act", 0, PERCENT_400TH), _two(3822, "egr_b_act", 2, PERCENT_400TH)),
        EGF1: (_two(2659, "egr_flow", 0, GRAMS_S), _two(132, "maf", 2, GRAMS_S)),
        ET1: (_one(110, "ect", 0, CELSIUS), _two(175, "eot", 2, CELSIUS_32ND)),
        ET2: (_two(411, "egr_dp", 4, KPA_128TH), _two(412, "egrt11", 6, CELSIUS_32ND)),
        # SPN 102 counts from the pressure outside, so it is not J1979's absolute ``map``
        IC1: (
            _one(102, "boost", 1, KPA_2),
            _one(105, "iat", 2, CELSIUS),
            _two(173, "egt11", 5, CELSIUS_32ND),
        ),
        AMB: (_one(108, "baro", 0, KPA_HALF), _two(171, "aat", 3, CELSIUS_32ND)),
        CCVS1: (_two(84, "vss", 1, KM_H_256TH),),
        LFE1: (_two(183, "fuel_rate", 0, LITRES_H), _one(51, "tp", 6, PERCENT_04)),
        VEP1: (_two(168, "vpwr", 4, VOLTS_20TH),),
    }
)
