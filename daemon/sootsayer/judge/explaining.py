"""Alerts and hand checks in, explanation out: causes, the next check, and what contradicts."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from sootsayer.judge.architecture import Sight
from sootsayer.judge.causes import CODES, code_rule, known_rules, weigh_causes
from sootsayer.judge.checks import check_table, outcome_chance, propose_check
from sootsayer.judge.circumstances import cliffs_delta, comparable
from sootsayer.judge.instead import TRIMS_MOVED
from sootsayer.model import Alert, Cause, Check
from sootsayer.protocol.codes import MEANINGS
from sootsayer.rules.engine import Rules
from sootsayer.rules.watches import ChanceWatch, SightingWatch

RECORDER = "recorder"
SOMETIMES = "M1 sometimes"  # a statement beside M1: not at every opening
ALWAYS_SHARE = 0.7  # of the openings since its first failure
SMALL = "M1 small"  # another: at small commands only
SMALLER_DELTA = -0.7  # nearly every opening that failed was smaller than nearly every other
SAID_OF = {TRIMS_MOVED: "Fuel is not corrected as it was"}
UNLIKELY = 0.15  # an outcome that the readings made rarer than this contradicts them


@dataclass(frozen=True, slots=True)
class Explained:
    """``contradictions``: results of hand checks that the readings had made unlikely."""

    causes: tuple[Cause, ...] = ()
    next_check: Check | None = None
    contradictions: tuple[str, ...] = ()


def explain(
    rules: Rules,
    alerts: list[Alert],
    found: Mapping[str, str],
    sight: Sight,
    signs: Collection[str] = (),
) -> Explained:
    """What would explain the open alerts. Nothing where only the recorder complains: its own
    rules explain something only where there is something to explain. ``signs``: what was seen
    beside the rules, see ``instead``."""
    kinds = {name: rule.kind for name, rule in rules.book.items()}
    if all(kinds[alert.rule] == RECORDER for alert in alerts):
        return Explained()
    tripped = {a.rule: a.title for a in alerts if a.rule != CODES} | _codes(rules)
    tripped |= _sometimes(alerts) | {sign: SAID_OF[sign] for sign in signs}
    by_size = _by_size(rules)
    if by_size is not None and by_size <= SMALLER_DELTA:
        tripped[SMALL] = "it follows large commands and not small ones"
    exposed = exposed_rules(rules) | _asked_whether_always(tripped)
    exposed |= {SMALL} if by_size is not None else frozenset()
    causes = weigh_causes(tripped, exposed, found, sight)
    return Explained(
        causes,
        propose_check(causes, found, sight),
        _contradictions(tripped, exposed, found, sight),
    )


def exposed_rules(rules: Rules) -> frozenset[str]:
    """Rules whose silence means something; codes by what they accuse, once any were read."""
    exposed = {w.rule.name for w in rules.watches.values() if w.exposed()}
    if rules.trips_looked:
        exposed |= {f"{CODES} {meaning}" for meaning in MEANINGS}
    return frozenset(exposed & known_rules())


def _codes(rules: Rules) -> dict[str, str]:
    return {
        code_rule(code): watch.rule.title
        for code, watch in rules.codes.items()
        if isinstance(watch, SightingWatch) and watch.open
    }


def _sometimes(alerts: Iterable[Alert]) -> dict[str, str]:
    """Whether a valve that does not follow does so at times: friction and loose plugs let go,
    a torn diaphragm does not."""
    follow = next((alert for alert in alerts if alert.rule == "M1"), None)
    if follow is None or follow.seen >= ALWAYS_SHARE * follow.chances:
        return {}
    return {SOMETIMES: "the valve follows at times"}


def _by_size(rules: Rules) -> float | None:
    """Cliff's delta of what was asked at openings that were not followed against the others, None
    where the valve follows or too few are known: friction holds a valve against small commands."""
    watch = rules.watches["M1"]
    if not isinstance(watch, ChanceWatch) or not watch.open or not comparable(watch.chances):
        return None
    asked = [(bool(chance[2]), chance[5].get("asked_pct")) for chance in watch.chances]
    failed = np.array([a for bad, a in asked if bad and a is not None])
    good = np.array([a for bad, a in asked if not bad and a is not None])
    return cliffs_delta(failed, good) if len(failed) and len(good) else None


def _asked_whether_always(tripped: Mapping[str, str]) -> frozenset[str]:
    return frozenset({SOMETIMES} if "M1" in tripped else ())


def _contradictions(
    tripped: Mapping[str, str], exposed: frozenset[str], found: Mapping[str, str], sight: Sight
) -> tuple[str, ...]:
    """Each result against what readings and the other results made of it."""
    said = []
    for check, outcome in found.items():
        others = {name: result for name, result in found.items() if name != check}
        before = weigh_causes(tripped, exposed, others, sight)
        chance = sum(c.weight * outcome_chance(check, outcome, c.cause) for c in before)
        if before and chance < UNLIKELY:
            entry = check_table()["checks"][check]
            text = entry["outcomes"][outcome]["text"]
            said.append(
                f"{entry['title']}: “{text}” contradicts what else was found, which made it "
                f"{100 * chance:.0f} % likely. Repeat the check, or think of two faults at once."
            )
    return tuple(said)
