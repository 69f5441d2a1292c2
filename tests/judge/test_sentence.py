"""The table of sentences: every state a car can be in, and the words a person reads for it."""

from __future__ import annotations

import pytest

from sootsayer.judge.causes import weigh_causes
from sootsayer.judge.instead import FATHERS, SIGNS, THIN_AIR, TRIMS_MOVED, say_instead
from sootsayer.judge.repair import Comparison, Outcome, Repaired
from sootsayer.judge.sentence import BROKEN_BY_RULE, NOT_OURS, Findings, compose
from sootsayer.model import Alert, AlertState, Cause, Link, LinkFinding, LinkState
from sootsayer.rules.book import load_rules

H, D, B, U = LinkState.HOLDING, LinkState.DOUBTFUL, LinkState.BROKEN, LinkState.UNSEEN
RULES = load_rules()
NOUNS = {name: rule.noun for name, rule in RULES.items()}


def links(states: str) -> tuple[LinkFinding, ...]:
    """One letter a link, in order: holding, doubtful, broken, unseen."""
    words = {"H": H, "D": D, "B": B, "U": U}
    return tuple(
        LinkFinding(link, words[sign], 20, 0, 900.0, "a fact")
        for link, sign in zip(Link, states, strict=True)
    )


def alert(rule: str, seen: int = 20, chances: int = 20) -> Alert:
    return Alert(
        rule, RULES[rule].link, AlertState.OPEN, 0, 0, 0, None, seen, chances, 100.0, 1.0, 1.0, "",
        RULES[rule].title, f"Text of {rule}.", ("rpm",),
    )  # fmt: skip


def repair(rule: str, outcome: Outcome, needed: int = 0) -> Repaired:
    return Repaired(
        rule, "passage cleaned", Comparison((20, 40), (0, 9), outcome, needed), "", NOUNS[rule]
    )


def said(states: str, *alerts: Alert, **more: object) -> str:
    accused = frozenset(a.rule for a in alerts) | frozenset(more.pop("also", ()))  # type: ignore[call-overload]
    found = Findings(
        links(states), list(alerts), (), 7200.0, 6, accused=accused, nouns=NOUNS, **more
    )  # type: ignore[arg-type]
    sentence, why = compose(found)
    assert why
    return sentence


F1, M1, E2 = alert("F1"), alert("M1"), alert("E2")
CURED, OPEN = repair("F1", Outcome.CURED), repair("F1", Outcome.OPEN, 12)
AGAIN = Repaired("F1", "passage cleaned", Comparison((8, 40), (1, 9), Outcome.OPEN, 5), "")
UNCHANGED, BETTER = repair("F1", Outcome.UNCHANGED), repair("F1", Outcome.BETTER)

TABLE = {
    # ---- nothing accused
    "all holding": (said("HHHHH"), "Every link of recirculation holds."),
    "some unseen": (said("HHUUH"),
        "Nothing wrong where it could be seen: permit, ask and effect."),
    "nothing seen": (said("UUUUU"), "Not enough was seen to say anything, good or bad."),
    # ---- each link broken first
    "permit by gear": (said("BUUUH", alert("P1"), alert("P2")),
        "Recirculation is forbidden because the gear input says park or neutral on the move."),
    "permit withheld": (said("BUUUH", alert("P2")),
        "Recirculation is never allowed although conditions are right."),
    "ask": (said("HBHHH", alert("A1")), "Recirculation is asked for when it should stay shut."),
    "move": (said("HHBUH", M1), "The valve is asked to open but does not follow."),
    "move, shut": (said("HHBUH", alert("M2")),
        "The valve does not shut when it is told to."),
    "move, sensor": (said("HHBHH", M1),
        "The position reading does not fit the command, yet gas flows as it should; "
        "suspect the position sensor first."),
    "slow": (said("HHBHH", alert("M3")), "The valve is slow."),
    "flow": (said("HHHBH", F1), "The valve moves, but the gas does not follow."),
    "flow, no position": (said("HHUBH", F1),
        "The valve is asked to open, but hardly any gas follows; whether it moves, this car "
        "does not tell."),
    "leak": (said("HHHBH", alert("F2")),
        "Exhaust gas gets in although the valve is told to be shut."),
    "effect": (said("HHHHB", E2), "The engine idles roughly when warm."),
    # ---- the first broken link is told, what follows from it is not
    "move before flow and effect": (said("HHBDD", M1, F1, E2),
        "The valve is asked to open but does not follow."),
    "permit before all": (said("BDDDD", alert("P1"), M1, F1, E2),
        "Recirculation is forbidden because the gear input says park or neutral on the move."),
    "a broken link before a doubtful earlier one": (said("HHDBH", alert("M3"), F1),
        "The valve moves, but the gas does not follow."),
    # ---- doubtful
    "doubtful permit": (said("DHHHH", alert("P2")),
        "Recirculation may be withheld when it is due; one kind of evidence says so."),
    "doubtful ask": (said("HDHHH", alert("A1")),
        "Recirculation may be asked for at the wrong time; one kind of evidence says so."),
    "doubtful move": (said("HHDHH", alert("M4")),
        "The valve may not move as asked; one kind of evidence says so."),
    "doubtful flow": (said("HHHDH", F1),
        "Gas flow through the valve is in doubt; one kind of evidence says so."),
    "rough idle alone": (said("HHHHD", E2),
        "Warm idle is unsteady; nothing yet ties that to recirculation; weak ignition or an air "
        "leak would show the same."),
    "knock alone": (said("HHHHD", alert("E1")),
        "Spark is taken back as if the engine knocked; nothing yet ties that to recirculation; "
        "fuel, carbon or a touchy knock sensor would show the same."),
    "hot restart alone": (said("HHHHD", alert("E3", 3, 5)),
        "The hot engine is hard to start; nothing yet ties that to recirculation; fuel pressure, "
        "ignition or a weak battery would show the same."),
    # ---- look-alikes
    "rough idle with an air leak": (said("HHHHD", E2, also={"N1"}),
        "Warm idle is unsteady; nothing yet ties that to recirculation; but the same would be "
        "seen with an intake leak: check that first."),
    "leak with a tired meter": (said("HHHDH", alert("F2"), also={"N2"}),
        "Gas flow through the valve is in doubt; one kind of evidence says so; but the same "
        "would be seen with an air meter or fuel supply that is off: check that first."),
    "withheld by a thermostat": (said("DHHHH", alert("P2"), also={"P3C"}),
        "Recirculation may be withheld when it is due; one kind of evidence says so; but the "
        "same would be seen with a thermostat that stands open: check that first."),
    "a thermostat alone": (said("DHHHU", alert("P3C", 4, 4)),
        "Coolant does not get warm, as with a thermostat that stands open; recirculation may be "
        "withheld or misled by that, without a fault of its own."),
    "no flow up high": (said("HHHDH", F1, thin_air=True),
        "Gas flow through the valve is in doubt; one kind of evidence says so; but the same "
        "would be seen with the thin air of this height: check that first."),
    "valve and low supply": (said("HHDHH", M1, also={"R5"}),
        "The valve may not move as asked; one kind of evidence says so; but the same would be "
        "seen with a low supply voltage: check that first."),
    "only an air leak": (said("HHHHH", also={"N1"}),
        "Every link of recirculation holds; but air leaks in behind the air meter: look at that "
        "first."),
    "a meter that grew tired": (said("HHHHH", also={TRIMS_MOVED}),
        "Every link of recirculation holds; but fuel is not corrected as it was, as for an air "
        "meter or fuel pressure that changes: look at that first."),
    "only a low battery, much unseen": (said("HUUUH", also={"R5"}),
        "Nothing wrong where it could be seen: permit and effect; but supply voltage is low: look "
        "at that first."),
    # ---- intermittent, with its rate
    "one in five": (said("HHHBH", alert("F1", 30, 150)),
        "The valve moves, but the gas does not follow. It comes and goes: 30 of 150 openings."),
    "always": (said("HHHBH", alert("F1", 148, 150)),
        "The valve moves, but the gas does not follow."),
    # ---- repairs
    "cured": (said("HHHHH", repaired=(CURED,)),
        "“passage cleaned” was a cure: what failed before it has not failed since."),
    "one of two cured, the other open": (said("HHHHH", repaired=(CURED, OPEN)),
        "Nothing has failed since “passage cleaned”, but a cure needs more driving: about 12 "
        "more openings."),
    "unchanged": (said("HHHBH", F1, repaired=(UNCHANGED, CURED)),
        "The valve moves, but the gas does not follow. “passage cleaned” changed nothing."),
    "better": (said("HHHBH", F1, repaired=(BETTER,)),
        "The valve moves, but the gas does not follow. It is better since “passage cleaned”, not "
        "cured."),
    "not enough driving": (said("HHHBH", F1, repaired=(OPEN,)),
        "The valve moves, but the gas does not follow. There was not enough driving since "
        "“passage cleaned” yet."),
    "failed again, too little to say more": (said("HHHHH", repaired=(AGAIN,)),
        "Every link of recirculation holds. It has failed again since “passage cleaned”."),
    "cured, and something else": (said("HHBUH", M1, repaired=(CURED,)),
        "The valve is asked to open but does not follow. What failed before “passage cleaned” is "
        "cured; this is another matter."),
    # ---- a hand check against the readings
    "contradicted": (said("HHHBH", F1, contradictions=("Open the valve: …",)),
        "The valve moves, but the gas does not follow. A hand check contradicts it: repeat the "
        "check."),
}  # fmt: skip


@pytest.mark.parametrize("state", TABLE)
def test_the_sentence(state):
    found, wanted = TABLE[state]
    assert found == wanted


def test_before_any_driving():
    sentence, why = compose(Findings(links("UUUUU"), [], (), 0.0, 0))
    assert sentence == "Nothing is known yet."
    assert "half an hour" in why


@pytest.mark.parametrize("rule", [name for name, rule in RULES.items() if rule.link is not None])
@pytest.mark.parametrize("broken", [True, False])
def test_every_rule_has_a_plain_sentence(rule, broken):
    place = list(Link).index(RULES[rule].link or Link.EFFECT)
    states = "HHHHH"[:place] + ("B" if broken else "D") + "HHHHH"[place + 1 :]
    sentence = said(states, alert(rule))
    assert sentence.endswith(".")
    assert not any(f" {name} " in sentence for name in RULES)  # no rule's short name for a person


# ---------------------------------------------------------------- what rests beneath


def why(causes: tuple[Cause, ...]) -> str:
    return compose(Findings(links("HHHBH"), [F1], causes, 7200.0, 6))[1]


def test_a_cause_is_named_as_surely_as_it_stands():
    clear = weigh_causes({"F1": "", "F1S": "", "F7": ""}, {"M1", "M2"})
    assert clear[0].weight > 0.5
    assert "The likeliest explanation is: passage choked" in why(clear)
    even = tuple(Cause(n, n.title(), w, (), ()) for n, w in (("a", 0.3), ("b", 0.25), ("c", 0.1)))
    assert "It may be a; or b. These readings alone cannot tell which." in why(even)
    unknown = (Cause("none_of_these", "None of these", 0.6, (), ()),)
    assert "No cause that is known here explains this well." in why(unknown)


def test_look_alikes_name_rules_that_exist():
    named = {sign for signs in SIGNS.values() for sign, _ in signs} | set(NOT_OURS)
    assert {THIN_AIR, TRIMS_MOVED} <= named | {THIN_AIR}
    named -= {THIN_AIR, TRIMS_MOVED}
    assert named | set(SIGNS) | set(FATHERS) | set(BROKEN_BY_RULE) <= set(RULES)


@pytest.mark.parametrize(
    ("rule", "accused", "thin", "words"),
    [
        ("E2", {"E2"}, False, "weak ignition or an air leak would show the same"),
        ("E2", {"E2", "F2"}, False, ""),
        ("E2", {"E2", "N1"}, False, "with an intake leak, of which there are signs; check that"),
        ("F2", {"F2", "P3M"}, False, "an air meter"),
        ("F1", {"F1"}, True, "thin air"),
        ("F1", {"F1"}, False, ""),
        ("M1", {"M1", "R5"}, False, "low supply voltage"),
        ("E1", {"E1", "F1"}, False, ""),
    ],
)
def test_an_alert_says_what_else_would_show_it(rule, accused, thin, words):
    found = say_instead(rule, accused, thin)
    assert words in found
    assert bool(words) == bool(found)
