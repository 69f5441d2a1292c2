"""The one or two plain sentences for the whole car, made from the findings and no more."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from sootsayer.judge.causes import NONE_OF_THESE, alike
from sootsayer.judge.instead import TRIMS_MOVED, fathers, seen_instead
from sootsayer.judge.repair import Outcome, Repaired, verdict_of
from sootsayer.model import Alert, Cause, Link, LinkFinding, LinkState
from sootsayer.units import say_count, say_duration

# By the rule that speaks loudest on the broken link; then by link alone.
BROKEN_BY_RULE = {
    "P1": "Recirculation is forbidden because the gear input says park or neutral on the move.",
    "P2": "Recirculation is never allowed although conditions are right.",
    "A1": "Recirculation is asked for when it should stay shut.",
    "M1": "The valve is asked to open but does not follow.",
    "M2": "The valve does not shut when it is told to.",
    "F1": "The valve moves, but the gas does not follow.",
    "F1S": "The valve moves, but the gas does not follow.",
    "F2": "Exhaust gas gets in although the valve is told to be shut.",
    "E2": "The engine idles roughly when warm.",
}
SENSOR = (
    "The position reading does not fit the command, yet gas flows as it should; "
    "suspect the position sensor first."
)
UNMEASURED = (
    "The valve is asked to open, but hardly any gas follows; whether it moves, this car does not "
    "tell."
)
DOUBTFUL = {
    Link.PERMIT: "Recirculation may be withheld when it is due; one kind of evidence says so.",
    Link.ASK: "Recirculation may be asked for at the wrong time; one kind of evidence says so.",
    Link.MOVE: "The valve may not move as asked; one kind of evidence says so.",
    Link.FLOW: "Gas flow through the valve is in doubt; one kind of evidence says so.",
}
# An effect alone accuses nothing; it is told with what else would have it.
EFFECTS = {
    "E1": "Spark is taken back as if the engine knocked",
    "E2": "Warm idle is unsteady",
    "E3": "The hot engine is hard to start",
    "E4": "Fuel trims tell of gas that should not be there, or of gas that is missing",
    "E5": "The engine stalls",
    "E6": "The engine runs hot",
    "F4S": "The engine dips when the valve opens",
}
# What is no fault of recirculation and still open where every link holds.
NOT_OURS = {
    "N1": "air leaks in behind the air meter",
    "N2": "fuel is corrected everywhere alike, as for a tired air meter or fuel pressure",
    TRIMS_MOVED: "fuel is not corrected as it was, as for an air meter or fuel pressure that "
    "changes",
    "P3C": "coolant does not get warm, as with a thermostat that stands open",
    "P3S": "a temperature input cannot be true",
    "P3T": "the throttle input is off its place",
    "P3P": "manifold and barometric pressure disagree",
    "P3M": "the air meter reads off",
    "R5": "supply voltage is low",
}
SOMETIMES_BELOW = 0.7  # of the chances since the first failure
LEAST_CHANCES = 10
MOST_CAUSES = 3


@dataclass(frozen=True, slots=True)
class Findings:
    """What the sentence is made from. ``accused``: all rules with an open alert, the recorder's
    included, and what stands for one (see ``instead``); ``contradictions``: hand checks against
    the readings; ``nouns``: what the chances of a rule are called, for rules of which a rate is
    told."""

    links: tuple[LinkFinding, ...]
    alerts: list[Alert]
    causes: tuple[Cause, ...]
    engine_s: float
    trips: int
    circumstances: tuple[str, ...] = ()
    accused: frozenset[str] = frozenset()
    thin_air: bool = False
    repaired: tuple[Repaired, ...] = ()
    contradictions: tuple[str, ...] = ()
    nouns: Mapping[str, str] = field(default_factory=dict)


def compose(found: Findings) -> tuple[str, str]:
    """The sentence and what it rests on."""
    broken = next((f for f in found.links if f.state is LinkState.BROKEN), None)
    doubtful = next((f for f in found.links if f.state is LinkState.DOUBTFUL), None)
    accused = broken or doubtful
    watched = (
        f"Watched for {say_duration(found.engine_s)} of engine time in "
        f"{say_count(found.trips, 'trip')}."
    )
    repair = verdict_of(found.repaired)
    if accused is None:
        return _unaccused(found, watched, repair)
    loudest = max((a for a in found.alerts if a.link is accused.link), key=_loudness)
    sentence = _accusing(found, accused, loudest, broken is not None)
    parts = [loudest.text, *found.circumstances[:1], *_likeliest(found.causes)]
    parts += [*found.contradictions, watched]
    said = [sentence, _rate(loudest, found.nouns.get(loudest.rule)), _since(repair)]
    if found.contradictions:
        said.append("A hand check contradicts it: repeat the check.")
    return " ".join(part for part in said if part), " ".join(parts)


def _accusing(found: Findings, accused: LinkFinding, loudest: Alert, broken: bool) -> str:
    """What is wrong, and what else would show the same."""
    main = _broken(found.links, loudest) if broken else _doubtful(found, accused.link, loudest)
    instead = seen_instead(loudest.rule, found.accused, found.thin_air)
    if instead:
        stem = main.rstrip(".")
        return f"{stem}; but the same would be seen with {instead}: check that first."
    return main


def _broken(links: tuple[LinkFinding, ...], loudest: Alert) -> str:
    if loudest.rule in ("F1", "F1S") and _state(links, Link.MOVE) is LinkState.UNSEEN:
        return UNMEASURED
    if loudest.rule in ("M1", "M2") and _state(links, Link.FLOW) is LinkState.HOLDING:
        return SENSOR
    return BROKEN_BY_RULE.get(loudest.rule) or loudest.title + "."


def _doubtful(found: Findings, link: Link, loudest: Alert) -> str:
    if loudest.rule in NOT_OURS:
        what = NOT_OURS[loudest.rule]
        return (
            f"{what[0].upper()}{what[1:]}; recirculation may be withheld or misled by that, "
            "without a fault of its own."
        )
    if link is not Link.EFFECT:
        return DOUBTFUL[link]
    main = EFFECTS.get(loudest.rule, loudest.title)
    other = fathers(loudest.rule, found.accused)
    seen = seen_instead(loudest.rule, found.accused, found.thin_air)
    tail = f"; {other} would show the same" if other and not seen else ""
    return f"{main}; nothing yet ties that to recirculation{tail}."


def _rate(alert: Alert, noun: str | None) -> str:
    """How often, where it comes and goes and its chances have a name."""
    share = alert.seen / max(alert.chances, 1)
    if not noun or alert.chances < LEAST_CHANCES or share >= SOMETIMES_BELOW:
        return ""
    return f"It comes and goes: {alert.seen} of {alert.chances} {noun}."


def _since(repair: Repaired | None) -> str:
    """What the last repair was worth, while something is still accused."""
    if repair is None:
        return ""
    if repair.comparison.outcome is Outcome.UNCHANGED:
        return f"“{repair.done}” changed nothing."
    if repair.comparison.outcome is Outcome.BETTER:
        return f"It is better since “{repair.done}”, not cured."
    if repair.comparison.outcome is Outcome.OPEN and repair.comparison.after[0]:
        return f"It has failed again since “{repair.done}”."
    if repair.comparison.outcome is Outcome.OPEN:
        return f"There was not enough driving since “{repair.done}” yet."
    return f"What failed before “{repair.done}” is cured; this is another matter."


def _quiet_since(repair: Repaired) -> bool:
    return repair.comparison.outcome is Outcome.OPEN and not repair.comparison.after[0]


def _loudness(alert: Alert) -> tuple[bool, float]:
    measured = alert.rule in BROKEN_BY_RULE
    return measured, alert.seen / max(alert.chances, 1)


def _state(links: tuple[LinkFinding, ...], link: Link) -> LinkState:
    return next(finding.state for finding in links if finding.link is link)


def _likeliest(causes: tuple[Cause, ...]) -> list[str]:
    if not causes:
        return []
    if causes[0].cause == NONE_OF_THESE:
        return ["No cause that is known here explains this well."]
    if causes[0].weight >= 0.5:
        return [f"The likeliest explanation is: {_lowered(causes[0].title)}."]
    open_ones = [c for c in alike(causes) if c.cause != NONE_OF_THESE]
    titles = [_lowered(cause.title) for cause in open_ones[:MOST_CAUSES]]
    if len(titles) == 1:
        return [f"The likeliest of several explanations is: {titles[0]}."]
    return [f"It may be {'; or '.join(titles)}. These readings alone cannot tell which."]


def _lowered(title: str) -> str:
    return title[0].lower() + title[1:]


# ---------------------------------------------------------------- nothing is accused


def _unaccused(found: Findings, watched: str, repair: Repaired | None) -> tuple[str, str]:
    sentence, why = _nothing_wrong(found.links, found.engine_s, watched)
    others = [words for rule, words in NOT_OURS.items() if rule in found.accused]
    if repair is not None and repair.comparison.outcome is Outcome.CURED:
        sentence = f"“{repair.done}” was a cure: what failed before it has not failed since."
    elif repair is not None and _quiet_since(repair):
        sentence = (
            f"Nothing has failed since “{repair.done}”, but a cure needs more driving: about "
            f"{repair.comparison.needed} more {repair.noun}."
        )
    elif repair is not None:
        sentence = f"{sentence} {_since(repair)}"
    if others:
        sentence = f"{sentence.rstrip('.')}; but {_listed(others)}: look at that first."
        why = f"That is no fault of recirculation. {why}"
    return sentence, why


def _nothing_wrong(
    links: tuple[LinkFinding, ...], engine_s: float, watched: str
) -> tuple[str, str]:
    holding = [f.link.value for f in links if f.state is LinkState.HOLDING]
    unseen = [f.link.value for f in links if f.state is LinkState.UNSEEN]
    if engine_s < 60:
        return (
            "Nothing is known yet.",
            "No driving was recorded so far. A first verdict takes one warm drive of about "
            "half an hour; findings on permission take two.",
        )
    if not holding:
        return (
            "Not enough was seen to say anything, good or bad.",
            f"{watched} What is missing stands beside each link.",
        )
    if unseen:
        return (
            f"Nothing wrong where it could be seen: {_listed(holding)}.",
            f"{watched} Not seen yet: {_listed(unseen)}.",
        )
    return "Every link of recirculation holds.", watched


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
