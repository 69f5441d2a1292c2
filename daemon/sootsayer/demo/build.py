"""What an invented car is made of: its nominal constants and how single cars differ from them.

The figures are those of an ordinary four-cylinder petrol engine and an automatic gearbox with
four gears. None of them is known to the part of the program that judges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from sootsayer.model import BoolArray, FloatArray


class Metering(StrEnum):
    """Which sensors the car has for its air. With both, fuel follows the air flow meter."""

    MAF = "maf"
    MAP = "map"
    BOTH = "both"


class Feedback(StrEnum):
    """What the control unit knows of the valve's place."""

    POSITION = "position"
    PRESSURE = "pressure"  # it measures the gas by the pressure across a fixed hole
    ECHO = "echo"  # it repeats its command as if it had measured
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Make:
    """One car's constants. Areas are effective areas, discharge included."""

    metering: Metering = Metering.BOTH
    feedback: Feedback = Feedback.POSITION
    electronic_throttle: bool = True  # else a cable and an idle air bypass
    composite_egr: bool = False  # gives PID 69 beside 2C and 2D
    compression_ignition: bool = False  # no throttle, boosted, a cooled loop; see ``diesel``
    passage_sensor: bool = False  # a thermistor in the passage, told by PID 6B
    shut_raw: int = 0  # what the command reads when shut, engine running; 12 on some cars

    displacement_m3: float = 2.4e-3
    compression: float = 9.7
    manifold_m3: float = 2.7e-3
    throttle_bore_m: float = 0.056
    throttle_leak_mm2: float = 4.0  # past the shut plate
    filter_pa_per_kg2_s2: float = 3.2e5  # 3.2 kPa at 100 g/s
    breathing: float = 0.90  # filling at best speed with no residual gas
    breathing_speed_rpm: float = 4100.0  # where the runners are in tune
    breathing_fall: float = 0.22  # how much filling falls well away from it
    port_heat: float = 0.045  # part of wall-to-gas temperature difference taken up at 15 g/s

    valve_mm2: float = 62.0  # recirculation valve fully open
    passage_mm2: float = 170.0  # pipe and port behind it, clean
    valve_lag_s: float = 0.18  # 0.3–0.8 s to 90 %
    exhaust_pa_per_kg2_s2: float = 2.9e6  # 2.9 kPa at 32 g/s
    gas_kept_warm: float = 0.52  # of the exhaust's heat above coolant still there at the valve

    inertia_kg_m2: float = 0.17
    efficiency: float = 0.375  # of fuel energy into the crank at best spark
    friction_pa: float = 0.84e5  # mean pressure, warm, near no speed
    accessories_nm: float = 5.0

    mass_kg: float = 1560.0
    drag_m2: float = 0.67
    wheel_m: float = 0.31

    thermostat_c: float = 87.0
    idle_rpm: float = 720.0
    closed_throttle_pct: float = 15.3
    air_lag_s: float = 0.0  # of the air flow meter
    pressure_lag_s: float = 0.0  # of the manifold pressure sensor
    maf_bias: float = 0.0
    map_bias_pa: float = 0.0
    iat_bias_k: float = 0.0
    ect_bias_k: float = 0.0

    @property
    def settled_trims(self) -> tuple[float, float]:
        """What its control unit has learned at idle and driving after many miles without fault."""
        off = 0.0 if self.metering is Metering.MAP else -self.maf_bias / (1.0 + self.maf_bias)
        return off, off


def diesel_make() -> Make:
    """A two-litre engine with compression ignition in the same car."""
    return Make(
        metering=Metering.BOTH,
        composite_egr=True,
        compression_ignition=True,
        displacement_m3=2.0e-3,
        compression=17.0,
        manifold_m3=3.5e-3,
        breathing=0.88,
        breathing_fall=0.12,
        valve_mm2=170.0,
        passage_mm2=420.0,
        valve_lag_s=0.12,
        friction_pa=1.15e5,
        inertia_kg_m2=0.22,
        idle_rpm=800.0,
    )


# One standard deviation, as part of the nominal figure, between cars from one line.
SPREAD = {
    "breathing": 0.020,
    "breathing_speed_rpm": 0.05,
    "breathing_fall": 0.15,
    "port_heat": 0.15,
    "throttle_leak_mm2": 0.20,
    "filter_pa_per_kg2_s2": 0.25,
    "valve_mm2": 0.06,
    "passage_mm2": 0.05,
    "valve_lag_s": 0.15,
    "exhaust_pa_per_kg2_s2": 0.12,
    "gas_kept_warm": 0.06,
    "friction_pa": 0.05,
    "efficiency": 0.015,
    "accessories_nm": 0.15,
    "mass_kg": 0.03,
}
# One standard deviation of sensor errors, in the field's own unit.
SENSOR_SPREAD = {
    "closed_throttle_pct": 0.6,
    "maf_bias": 0.02,
    "map_bias_pa": 500.0,
    "iat_bias_k": 0.8,
    "ect_bias_k": 0.8,
    "thermostat_c": 1.0,
}
WIDEST = 2.0  # standard deviations; makers reject what lies farther out


def individual(make: Make, seed: int) -> Make:
    """One car of a line, always the same for the same seed."""
    draw = np.random.default_rng([seed, 0xCA2])
    changes: dict[str, float] = {}
    for name, part in SPREAD.items():
        z = float(np.clip(draw.standard_normal(), -WIDEST, WIDEST))
        changes[name] = getattr(make, name) * (1.0 + part * z)
    for name, size in SENSOR_SPREAD.items():
        z = float(np.clip(draw.standard_normal(), -WIDEST, WIDEST))
        changes[name] = getattr(make, name) + size * z
    return replace(make, **changes)  # type: ignore[arg-type]


def column(makes: Sequence[Make], name: str) -> FloatArray:
    """One constant of every car, float64 of shape (n,)."""
    return np.array([getattr(make, name) for make in makes], dtype=np.float64)


def flags(values: Sequence[bool]) -> BoolArray:
    return np.array(values, dtype=np.bool_)
