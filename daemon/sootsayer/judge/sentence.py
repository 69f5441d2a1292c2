"""The one or two plain sentences for the whole car, made from the findings and no more."""

from __future__ import annotations

from sootsayer.judge.causes import NONE_OF_THESE
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
    "The valve is asked to open, but no gas follows; whether it moves, this car does not tell."
)
DOUBTFUL = {
    Link.PERMIT: "Recirculation may be withheld when it is due; one kind of evidence says so.",
    Link.ASK: "Recirculation may be asked for at the wrong time; one kind of evidence says so.",
    Link.MOVE: "The valve may not move as asked; one kind of evidence says so.",
    Link.FLOW: "Gas flow through the valve is in doubt; one kind of evidence says so.",
    Link.EFFECT: "Warm idle is unsteady; nothing yet ties that to recirculation.",
}


def compose(
    links: tuple[LinkFinding, ...], alerts: list[Alert], causes: tuple[Cause, ...],
    engine_s: float, trips: int, circumstances: tuple[str, ...],
) -> tuple[str, str]:  # fmt: skip
    """The sentence and what it rests on."""
    broken = next((f for f in links if f.state is LinkState.BROKEN), None)
    doubtful = next((f for f in links if f.state is LinkState.DOUBTFUL), None)
    accused = broken or doubtful
    watched = f"Watched for {say_duration(engine_s)} of engine time in {say_count(trips, 'trip')}."
    if accused is None:
        return _nothing_wrong(links, engine_s, watched)
    own = [alert for alert in alerts if alert.link is accused.link]
    loudest = max(own, key=_loudness)
    if broken is None:
        sentence = DOUBTFUL[accused.link]
    elif loudest.rule in ("F1", "F1S") and _state(links, Link.MOVE) is LinkState.UNSEEN:
        sentence = UNMEASURED
    elif loudest.rule in ("M1", "M2") and _state(links, Link.FLOW) is LinkState.HOLDING:
        sentence = SENSOR
    else:
        sentence = BROKEN_BY_RULE.get(loudest.rule) or loudest.title + "."
    parts = [loudest.text, *circumstances[:1], *_likeliest(causes), watched]
    return sentence, " ".join(parts)


def _loudness(alert: Alert) -> tuple[bool, float]:
    measured = alert.rule in BROKEN_BY_RULE
    return measured, alert.seen / max(alert.chances, 1)


def _state(links: tuple[LinkFinding, ...], link: Link) -> LinkState:
    return next(finding.state for finding in links if finding.link is link)


def _likeliest(causes: tuple[Cause, ...]) -> list[str]:
    if not causes or causes[0].cause == NONE_OF_THESE or causes[0].weight < 0.5:
        return []
    title = causes[0].title
    return [f"The likeliest explanation is: {title[0].lower()}{title[1:]}."]


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
