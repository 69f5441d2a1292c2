"""Every movement of the command is a chance: does the valve come in time, does it let go at once
(rules M3, M4)? See ``derive.answers``."""

from __future__ import annotations

from sootsayer.derive.answers import Answer
from sootsayer.derive.frames import FRAME_S
from sootsayer.rules.book import Rule
from sootsayer.rules.seen import Chance, Seen

# What a car has shown counts as its own sound time up to so much of the limit: one that grew slow
# before it was first seen has none.
SOUND_SHARE = 0.8
DOES_NOT_FOLLOW = "M1"  # accused, it says that the valve does not move, rested or not


def slow(rule: Rule, seen: Seen) -> list[Chance]:
    """Surely slower than the limit and than twice its own time when sound; what may be either is
    no chance, and slow polling cannot time a valve."""
    made = []
    limit_s = rule.limit("vacuum_above" if seen.motion.by_vacuum else "fail_above")
    for answer in seen.answers:
        if answer.t90_s is None or answer.t90_least_s is None:
            continue
        if answer.period_s > rule.limit("period_most_s"):
            continue
        usual = min(seen.baselines.usual(rule.name) or 0.0, SOUND_SHARE * limit_s)
        allowed = max(limit_s, rule.limit("baseline_factor") * usual)
        # Readings that are rarer than frames may be older than the lag's own doubt knows.
        stale_s = max(answer.period_s - FRAME_S, 0.0)
        failed = answer.t90_least_s > allowed + stale_s
        if not failed and answer.t90_s > allowed:
            continue
        if not failed and rule.name not in seen.accused:
            seen.baselines.learn(rule.name, answer.t90_s)
        fact = f"{answer.t90_s:.1f} s to nine tenths of its way"
        made.append(_chance(answer, failed, answer.t90_s, fact))
    return made


def sticks(rule: Rule, seen: Seen) -> list[Chance]:
    """It stood still while the command was away, then let go and jumped."""
    return [_let_go(rule, answer, seen) for answer in seen.answers]


def sticks_after_rest(rule: Rule, seen: Seen) -> list[Chance]:
    """The same of openings that follow a rest, where a valve that has gummed up sticks first, and
    may outlast the opening; unless it is known for one that does not move at all."""
    made = []
    for answer in seen.answers:
        if answer.rested_s < rule.limit("rest_least_s"):
            continue
        chance = _let_go(rule, answer, seen)
        unmoved = answer.unmoved_points > rule.limit("fail_above")
        unmoved = unmoved and answer.unmoved_s > _stands_s(rule, seen)
        if unmoved and not chance.failed and DOES_NOT_FOLLOW not in seen.accused:
            fact = f"stood for {answer.unmoved_s:.1f} s, until it was asked shut"
            chance = _chance(answer, True, answer.unmoved_points, fact)
        made.append(chance)
    return made


def _let_go(rule: Rule, answer: Answer, seen: Seen) -> Chance:
    points = answer.late_points if answer.late_s > _stands_s(rule, seen) else 0.0
    failed = points > rule.limit("fail_above")
    fact = "moved with the command"
    if failed:
        fact = f"stood {answer.late_s:.1f} s, let go {points:.0f} points late"
    return _chance(answer, failed, points, fact)


def _stands_s(rule: Rule, seen: Seen) -> float:
    return rule.limit("vacuum_stands_s" if seen.motion.by_vacuum else "stands_s")


def _chance(answer: Answer, failed: bool, measure: float, fact: str) -> Chance:
    return Chance(
        answer.start_ms, answer.end_ms, failed, round(measure, 1), fact, dict(answer.context)
    )
