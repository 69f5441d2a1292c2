"""How sure: what the counts allow to be said, and how much more driving would tell."""

from __future__ import annotations

from collections.abc import Mapping

from sootsayer.derive.chance import chances_needed, lower_bound, two_in_a_row, upper_bound
from sootsayer.model import Alert, Link, LinkFinding, LinkState
from sootsayer.rules.book import Rule
from sootsayer.units import say_count, say_duration

RARE_RATE = 0.05  # a fault at one chance in twenty is what an intermittent complaint looks like


def say_sure(
    links: tuple[LinkFinding, ...], alerts: list[Alert], book: Mapping[str, Rule], openings: int,
    engine_s: float,
) -> tuple[str, ...]:  # fmt: skip
    """Sentences with exact 95 % intervals for what fails, and bounds for what has not failed."""
    nouns = [(alert, book[alert.rule].noun) for alert in alerts]
    said = [_failing(alert, noun) for alert, noun in nouns if noun]
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


def _failing(alert: Alert, noun: str) -> str:
    low = lower_bound(alert.seen, alert.chances)
    high = upper_bound(alert.seen, alert.chances)
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
