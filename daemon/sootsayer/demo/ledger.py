"""What the invented control unit counts over its trips: since codes were cleared, and in use.

Limits of the in-use conditions and of a warm-up are those of SAE J1979 and its in-use ratio
(from memory): ten minutes running, five above 40 km/h, half a minute of idle; 22 K of rise to
above 70 °C.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

RUNS_ABOVE_RPM = 400.0
WARM_UP_RISE_K, WARM_UP_C = 22.0, 70.0
LONG_S, FAST_S, IDLE_S = 600.0, 300.0, 30.0
FAST_KM_H = 40.0
IDLE_KM_H = 1.6
TANK_L = 60.0
FILLED_BELOW_L, FILLED_TO_L = 7.0, 54.0
PETROL_G_L = 745.0
AIR_G_PER_FUEL_G = 14.6

CHANNELS = ("mil_dist", "warm_ups", "clr_dist", "mil_time", "clr_time", "fli")


@dataclass(frozen=True, slots=True)
class Ledger:
    """The counts at one moment. ``flow_tests``: recirculation tests that were carried through."""

    clear_km: float = 6412.0
    clear_min: float = 9050.0
    warm_ups: int = 181
    lamp_km: float = 0.0
    lamp_min: float = 0.0
    fuel_l: float = 41.0
    ignitions: int = 1204
    conditions: int = 655
    flow_tests: int = 512

    def cleared(self) -> Ledger:
        """After a tester cleared the codes; fuel and in-use counts stay."""
        kept = (self.fuel_l, self.ignitions, self.conditions, self.flow_tests)
        return Ledger(0.0, 0.0, 0, 0.0, 0.0, *kept)


class Counting:
    """Counts through a trip, a second at a time."""

    def __init__(self, ledger: Ledger) -> None:
        self.take(ledger)
        self.key_off()

    def take(self, ledger: Ledger) -> None:
        """Go on from these counts."""
        self._clear_km, self._clear_s = ledger.clear_km, 60.0 * ledger.clear_min
        self._lamp_km, self._lamp_s = ledger.lamp_km, 60.0 * ledger.lamp_min
        self._warm_ups, self._fuel_l = ledger.warm_ups, ledger.fuel_l
        self._ignitions, self._conditions = ledger.ignitions, ledger.conditions
        self._flow_tests = ledger.flow_tests

    def ledger(self) -> Ledger:
        return Ledger(
            self._clear_km, self._clear_s / 60.0, self._warm_ups, self._lamp_km,
            self._lamp_s / 60.0, self._fuel_l, self._ignitions, self._conditions,
            self._flow_tests,
        )  # fmt: skip

    def key_off(self) -> None:
        """A trip is over: what counts once a trip may count again."""
        self._start_c: float | None = None
        self._run_s = self._fast_s = self._idle_s = 0.0
        self._warmed = self._fulfilled = False

    def flow_tested(self) -> None:
        self._flow_tests += 1

    def second(
        self, rpm: float, speed_km_h: float, coolant_c: float, air_g_s: float, lamp: bool
    ) -> None:
        """One second of key on."""
        if rpm < RUNS_ABOVE_RPM:
            return
        if self._start_c is None:
            self._start_c = coolant_c
            self._ignitions += 1
            self._fuel_l = FILLED_TO_L if self._fuel_l < FILLED_BELOW_L else self._fuel_l
        km = speed_km_h / 3600.0
        self._clear_km += km
        self._clear_s += 1.0
        if lamp:
            self._lamp_km += km
            self._lamp_s += 1.0
        self._fuel_l -= air_g_s / (AIR_G_PER_FUEL_G * PETROL_G_L)
        self._warm_up(coolant_c - self._start_c, coolant_c)
        self._fulfil(speed_km_h)

    def _warm_up(self, rise_k: float, coolant_c: float) -> None:
        if not self._warmed and rise_k >= WARM_UP_RISE_K and coolant_c >= WARM_UP_C:
            self._warmed = True
            self._warm_ups += 1

    def _fulfil(self, speed_km_h: float) -> None:
        self._run_s += 1.0
        self._fast_s += speed_km_h > FAST_KM_H
        self._idle_s += speed_km_h < IDLE_KM_H
        enough = self._run_s >= LONG_S and self._fast_s >= FAST_S and self._idle_s >= IDLE_S
        if enough and not self._fulfilled:
            self._fulfilled = True
            self._conditions += 1

    def raw(self) -> dict[str, int]:
        """Raw integers of ``CHANNELS``."""
        level = round(255.0 * min(max(self._fuel_l / TANK_L, 0.0), 1.0))
        values = (
            self._lamp_km, self._warm_ups, self._clear_km, self._lamp_s / 60.0,
            self._clear_s / 60.0, level,
        )  # fmt: skip
        most = (65535, 255, 65535, 65535, 65535, 255)
        return {
            name: min(int(value), top)
            for name, value, top in zip(CHANNELS, values, most, strict=True)
        }


def in_use_compression(ledger: Ledger) -> bytes:
    """Service 09 item 0B: eighteen counters of a car with compression ignition.

    Their order is from memory, recirculation thirteenth and fourteenth. Others as in ``in_use``.
    """
    seen = ledger.conditions
    said = (seen - seen // 5, seen)
    pairs = (said, (0, 0), (0, 0), said, said, (ledger.flow_tests, seen), said, said)
    counts = (seen, ledger.ignitions, *(count for pair in pairs for count in pair))
    return b"".join(min(count, 65535).to_bytes(2, "big") for count in counts)


def in_use(ledger: Ledger) -> bytes:
    """Service 09 item 08: twenty counters of a spark-ignition car, two bytes each.

    Only recirculation is truly counted; the other monitors of the invented car are said to have
    been carried through in fixed parts of the trips.
    """
    seen = ledger.conditions
    pairs: Mapping[str, tuple[int, int]] = {
        "catalyst": (seen // 3, seen),
        "catalyst 2": (0, 0),
        "oxygen sensors": (seen - seen // 9, seen),
        "oxygen sensors 2": (0, 0),
        "recirculation": (ledger.flow_tests, seen),
        "secondary air": (0, 0),
        "tank": (seen // 4, seen // 2),
        "second oxygen sensors": (seen - seen // 7, seen),
        "second oxygen sensors 2": (0, 0),
    }
    counts = (seen, ledger.ignitions, *(count for pair in pairs.values() for count in pair))
    return b"".join(min(count, 65535).to_bytes(2, "big") for count in counts)
