"""For each rule: what would show the same without a fault of recirculation.

Signs of it may have been seen, by another rule; then it is to be checked first. Where none were
seen and nothing else ties the finding to recirculation, it is still named: an effect alone has
many fathers.
"""

from __future__ import annotations

from collections.abc import Collection

THIN_AIR = "thin air"  # stands for no rule; the balance knows the barometer
TRIMS_MOVED = "trims moved"  # nor does this; the balance knows the fuel trims

AIR_LEAK = "an intake leak"
AIR_METER = "an air meter or fuel supply that is off"
TEMPERATURE = "a temperature input that is off"
THERMOSTAT = "a thermostat that stands open"
THROTTLE = "a throttle input that is off"
PRESSURE = "a pressure input that is off"
SUPPLY = "a low supply voltage"
HEIGHT = "the thin air of this height"

_METERED = (("N2", AIR_METER), ("P3M", AIR_METER), (TRIMS_MOVED, AIR_METER))
_FLOW = (*_METERED, ("P3P", PRESSURE), ("R5", SUPPLY), (THIN_AIR, HEIGHT))
_MOVE = (("R5", SUPPLY),)
# Rule → (rule that shows the look-alike, the look-alike), the likeliest first.
SIGNS: dict[str, tuple[tuple[str, str], ...]] = {
    "P2": (("P3C", THERMOSTAT), ("P3S", TEMPERATURE), ("P3T", THROTTLE), (THIN_AIR, HEIGHT)),
    "A1": (("P3S", TEMPERATURE), ("P3T", THROTTLE)),
    "A2": (("P3M", AIR_METER), ("P3T", THROTTLE), ("P3S", TEMPERATURE), (THIN_AIR, HEIGHT)),
    "A3": (("P3T", THROTTLE),),
    "M1": _MOVE, "M3": _MOVE, "M4": _MOVE, "M4R": _MOVE, "M6": _MOVE, "M8": (*_METERED, *_MOVE),
    "F1": _FLOW, "F3": _FLOW, "F3D": _FLOW, "F7": _FLOW, "F4": (*_METERED, ("P3P", PRESSURE)),
    "F1S": (("P3T", THROTTLE), ("P3P", PRESSURE), (THIN_AIR, HEIGHT)),
    "F1U": (*_METERED, ("N1", AIR_LEAK)), "F2S": (*_METERED, ("N1", AIR_LEAK)),
    "F2": (*_METERED, ("N1", AIR_LEAK), ("P3P", PRESSURE)),
    "E2": (("N1", AIR_LEAK),),
    "E3": (("R5", "a weak battery"),),
    "E4": (("P3P", PRESSURE), ("N2", AIR_METER)),
    "E5": (("N1", AIR_LEAK), ("R5", SUPPLY)),
    "E6": (("P3S", TEMPERATURE),),
    "C1": (("N1", AIR_LEAK), *_METERED),
    "C2": (("N1", AIR_LEAK), *_METERED),
}  # fmt: skip
# What does the same to the engine and leaves no sign of its own in our readings.
FATHERS = {
    "E1": "fuel, carbon or a touchy knock sensor",
    "E2": "weak ignition or an air leak",
    "E3": "fuel pressure, ignition or a weak battery",
    "E5": "idle air control or ignition",
    "E6": "thermostat, fan or coolant",
    "F4S": "a hill or a touchy clutch",
}
UNWANTED = frozenset({"A1", "M2", "F2", "F5H"})  # rules by which gas is there at idle
MISSING = frozenset({"P2", "M1", "M8", "F1", "F1S", "F7", "F5"})  # rules by which it lacks
TIES = {
    "E1": MISSING,
    "E2": UNWANTED,
    "E3": UNWANTED,
    "E5": UNWANTED,
    "E6": MISSING,
    "F4S": frozenset({"F4"}),
}


def seen_instead(rule: str, accused: Collection[str], thin_air: bool) -> str:
    """The look-alike of which signs were seen, "" if of none."""
    shown = {*accused, THIN_AIR} if thin_air else set(accused)
    return next((what for sign, what in SIGNS.get(rule, ()) if sign in shown), "")


def fathers(rule: str, accused: Collection[str]) -> str:
    """What else does the same, "" where another finding ties this one to recirculation."""
    if not TIES.get(rule, frozenset()).isdisjoint(accused):
        return ""
    return FATHERS.get(rule, "")


def say_instead(rule: str, accused: Collection[str], thin_air: bool) -> str:
    """One sentence for an alert, "" where nothing else would show it."""
    seen, other = seen_instead(rule, accused, thin_air), fathers(rule, accused)
    if seen == HEIGHT:
        return "The thin air of this height makes flows and pressure steps smaller, too."
    if seen:
        return f"The same would be seen with {seen}, of which there are signs; check that first."
    if other:
        return f"Nothing ties this to recirculation yet; {other} would show the same."
    return ""
