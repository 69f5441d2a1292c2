"""What looks like a fault of recirculation and is none, in plain words."""

from __future__ import annotations

from sootsayer.derive.balance import FlowBalance
from sootsayer.derive.orifice import STANDARD_KPA
from sootsayer.rules.engine import Rules

THIN_AIR_KPA = 90.0  # about 1,000 m; below it smaller flows are the height's doing
SCALE_HEIGHT_M, EXPONENT = 44_330.0, 0.1903  # international standard atmosphere, ISO 2533


def height_m(baro_kpa: float) -> float:
    """Height above the sea at which the standard atmosphere has this pressure (ISO 2533)."""
    return SCALE_HEIGHT_M * (1.0 - float((baro_kpa / STANDARD_KPA) ** EXPONENT))


def is_thin(balance: FlowBalance) -> bool:
    """Whether the car drives so high that flows and pressure steps are smaller."""
    return balance.baro_kpa < THIN_AIR_KPA


def lookalikes(rules: Rules, balance: FlowBalance) -> tuple[str, ...]:
    """One sentence for each that the findings show."""
    open_ = rules.accused()
    told = {name: _text(rules, name) for name in open_}
    said = [*_temperature(open_, told), *_air(open_, told, balance), *_engine(rules, open_)]
    if "P3T" in open_:
        said.append(f"The throttle input is off, which misleads load and permission: {told['P3T']}")
    if "R5" in open_:
        said.append(f"Battery or alternator first: {told['R5']}")
    if is_thin(balance):
        said.append(
            f"The air is thin here ({balance.baro_kpa:.0f} kPa, about "
            f"{round(height_m(balance.baro_kpa), -2):.0f} m): smaller flows and pressure steps are "
            "normal, and many control units ask for less."
        )
    return tuple(said)


def _text(rules: Rules, name: str) -> str:
    watch = rules.watches.get(name)
    alert = watch.current() if watch is not None else None
    return alert.text if alert is not None else ""


def _temperature(open_: frozenset[str], told: dict[str, str]) -> list[str]:
    if "P3C" in open_ and "P3S" not in open_:
        return [
            "This looks like a thermostat that stands open, or a coolant input that reads cold, "
            f"not like recirculation: {told['P3C']}"
        ]
    if "P3S" in open_:
        return [f"This looks like a temperature input, not like recirculation: {told['P3S']}"]
    return []


def _air(open_: frozenset[str], told: dict[str, str], balance: FlowBalance) -> list[str]:
    if "N2" in open_:
        return [f"This looks like the air meter or fuel pressure: {told['N2']}"]
    unmetered = balance.unmetered_air_g_s()
    if "N1" in open_ or unmetered > 0:
        amount = f"at least {unmetered:.1f} g/s of " if unmetered > 0 else ""
        return [
            f"Trims at idle tell of {amount}air that enters behind the air meter; that is an "
            "intake leak, not recirculation."
        ]
    if balance.trims.moved():
        return [
            f"Fuel trims have moved by {balance.trims.moved_pct():+.0f} points since the engine's "
            "breathing was learned: this looks like the air meter or fuel pressure, not "
            "recirculation."
        ]
    return []


def _engine(rules: Rules, open_: frozenset[str]) -> list[str]:
    """Rough, dying or knocking engines whose gas was seen to be right."""
    no_gas_at_rest = rules.watches["F2"].exposed() and not open_ & {"F2", "M2"}
    gas_flows = rules.watches["F1"].exposed() and not open_ & {"F1", "F1S", "M1", "M8"}
    said = []
    if "E2" in open_ and no_gas_at_rest and "N1" not in open_:
        said.append(
            "Warm idle is unsteady, but the engine breathes no unwanted gas: this looks like weak "
            "ignition, an injector or compression rather than recirculation."
        )
    if "E5" in open_ and no_gas_at_rest:
        said.append(
            "The engine dies when it slows, but breathes no unwanted gas: this looks like idle air "
            "control or ignition rather than recirculation."
        )
    if "E1" in open_ and gas_flows:
        said.append(
            "Spark is taken back although gas flows: this looks like fuel, carbon or the knock "
            "sensor rather than recirculation."
        )
    if "E3" in open_ and no_gas_at_rest:
        said.append(
            "Hot restarts are hard, but the engine breathes no unwanted gas: fuel pressure, "
            "ignition and battery come first."
        )
    return said
