"""How sure: what the counts allow to be said, and how much more driving would tell."""

from __future__ import annotations

from sootsayer.derive.chance import chances_needed, lower_bound, two_in_a_row, upper_bound
from sootsayer.model import Alert, Link, LinkFinding, LinkState
from sootsayer.units import say_count, say_duration

RARE_RATE = 0.05  # a fault at one chance in twenty is what an intermittent complaint looks like
NOUNS = {
    "P3C": "drives", "P3S": "drives", "P3T": "stops", "P3P": "key-ons", "A3": "steady half minutes",
    "M1": "openings", "M2": "shut stretches", "M3": "movements of the command",
    "M4": "movements of the command", "M4R": "rests", "F2S": "warm stops", "F1U": "openings",
    "M6": "openings", "M6D": "steady openings", "M6R": "closings", "M7": "cold starts",
    "M7W": "long openings", "M8": "openings", "F1": "openings", "F1S": "openings",
    "F4": "openings", "F5": "long openings", "F5H": "long shut stretches", "F6": "openings",
    "F6Z": "warm idles", "F7S": "openings", "E1": "openings", "E2": "warm stops",
    "E3": "hot restarts", "E4": "trips", "E5": "stops", "E6": "warm stretches", "N1": "trips",
    "N2": "trips",
}  # fmt: skip


def say_sure(
    links: tuple[LinkFinding, ...], alerts: list[Alert], openings: int, engine_s: float
) -> tuple[str, ...]:
    """Sentences with exact 95 % intervals for what fails, and bounds for what has not failed."""
    said = [_failing(alert) for alert in alerts if alert.rule in NOUNS]
    said += _silence(alerts)
    for finding in links:
        if finding.state is LinkState.HOLDING and finding.link in (Link.MOVE, Link.FLOW):
            said.append(_quiet(finding, openings, engine_s))
    return tuple(said)


def _silence(alerts: list[Alert]) -> list[str]:
    """What it is worth that the control unit has stored no code."""
    if any(alert.rule == "C1" for alert in alerts):
        return []
    for alert in alerts:
        rate = alert.seen / max(alert.chances, 1)
        if alert.rule in ("F1", "M1") and 0 < rate < 0.9:
            return [
                "No code is stored, which means little: a control unit that looks once a trip and "
                f"wants two failures in a row needs about {two_in_a_row(rate):.0f} trips for a "
                "fault of this rate."
            ]
    return []


def _failing(alert: Alert) -> str:
    low = lower_bound(alert.seen, alert.chances)
    high = upper_bound(alert.seen, alert.chances)
    noun = NOUNS[alert.rule]
    return (
        f"{alert.title}: {alert.seen} of {alert.chances} {noun}; the true rate lies between "
        f"{100 * low:.0f} and {100 * high:.0f} % (95 %)."
    )


def _quiet(finding: LinkFinding, openings: int, engine_s: float) -> str:
    n, k = finding.chances, finding.failed
    bound = upper_bound(k, n, 0.05)
    said = (
        f"{finding.link.value.capitalize()}: {k} of {say_count(n, 'chance')} failed; a fault "
        f"rarer than {100 * bound:.0f} % could still hide (95 %)."
    )
    missing = chances_needed(RARE_RATE) - n
    if missing > 0 and openings > 0 and n > 0:
        pace_s = engine_s / n
        said += (
            f" To exclude one in twenty, about {say_duration(missing * pace_s)} more of such "
            "driving."
        )
    return said
