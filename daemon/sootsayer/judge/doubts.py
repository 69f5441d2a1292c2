"""What makes a finding doubtful: an input that is itself accused, gaps, low voltage, clearing.

The recorder's rules and the implausible inputs qualify other findings; a finding on flow or
movement that rests on an accused input accuses nothing until the input is believed again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from sootsayer.derive.balance import FlowBalance
from sootsayer.judge.instead import say_instead
from sootsayer.model import Alert, Link
from sootsayer.rules.book import Rule
from sootsayer.rules.engine import Rules
from sootsayer.rules.watches import ChanceWatch

# Rule that accuses an input → channel that is then not believed. Trims that are off tell that
# the air which the engine burns is not the air that the meter sees.
ACCUSED_INPUTS = {"P3T": "tp", "P3P": "map", "P3M": "maf", "N1": "maf", "N2": "maf"}
OWN_WORD = ("code", "readiness")  # what the control unit says does not rest on our readings
RESULTS = "results"  # needed by a rule that reads the control unit's own tests
STOOD_STILL = "stood still: "


def spoilt_channels(rules: Rules, balance: FlowBalance) -> dict[str, str]:
    """Channels that cannot be believed now, and why. Without an air meter what would rest on it
    rests on the throttle's place."""
    spoilt = {
        channel: rules.watches[name].rule.title
        for name, channel in ACCUSED_INPUTS.items()
        if rules.watches[name].open
    }
    frozen = rules.watches["R2"]
    if isinstance(frozen, ChanceWatch) and frozen.open:
        for channel in frozen.fact.removeprefix(STOOD_STILL).split(", "):
            spoilt[channel] = f"{channel} stood still"
    if balance.trims.moved():
        moved_pct = balance.trims.moved_pct()
        spoilt.setdefault("maf", f"fuel trims have moved by {moved_pct:+.0f} points since the "
                          "engine's breathing was learned, so its air meter or fuel supply "
                          "is not what it was")  # fmt: skip
    elif balance.trims.unsteady():
        spoilt.setdefault("maf", f"fuel trims contradicted the air meter at "
                          f"{balance.trims.contradicted:.0f} of {balance.trims.openings:.0f} "
                          "openings, so it reads wrong at times")  # fmt: skip
    if balance.mode == "throttle" and "tp" in spoilt:
        spoilt.setdefault("maf", spoilt["tp"])
    return spoilt


def rests_on(rule: Rule, spoilt: Mapping[str, str]) -> str | None:
    """The first spoilt channel on which a finding on flow or movement rests, None if on none.
    Of alternatives the first counts, which is what rules take where they can."""
    if RESULTS in rule.needs:  # what the control unit measured, it measured with these sensors
        return next(iter(spoilt), None)
    if rule.link not in (Link.FLOW, Link.MOVE) or rule.kind in OWN_WORD:
        return None
    return next((need for need in (n.split("|")[0] for n in rule.needs) if need in spoilt), None)


def with_doubt(
    alert: Alert, rules: Rules, spoilt: Mapping[str, str], thin_air: bool = False
) -> Alert:
    """The alert with what makes it doubtful in words, unchanged where nothing does.
    ``thin_air``: the car drives so high that flows and steps are smaller."""
    rule = rules.book.get(alert.rule)
    if rule is None or alert.link is None:
        return alert
    said = []
    instead = say_instead(alert.rule, rules.accused(), thin_air)
    if instead:
        said.append(instead)
    channel = rests_on(rule, spoilt)
    if channel is not None:
        said.append(f"It rests on a reading that is itself in doubt: {spoilt[channel]}.")
    if rule.link in (Link.FLOW, Link.MOVE) and rules.watches["R5"].open:
        said.append("Supply voltage was low, and solenoids and sensors are not true then.")
    if rules.watches["R1"].open:
        said.append("Readings are missing; what happened in the gaps is not known.")
    if rule.kind in OWN_WORD and rules.watches["C4"].open:
        said.append("Codes were cleared not long ago; what was stored before is lost.")
    return replace(alert, doubt=" ".join(said)) if said else alert
