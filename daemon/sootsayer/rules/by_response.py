"""How much the valve passes and whether it moves with it, opening by opening (rules F4, F7…)."""

from __future__ import annotations

from sootsayer.derive.opened import Judged
from sootsayer.rules.book import Rule
from sootsayer.rules.seen import Chance, Seen

CLEAR_SIGMAS = 5.0
SURE_SIGMAS = 2.0
TOO_MUCH_LEAST = 0.10  # of full opening; below, the position's grain decides
OPENED_SHARE = 0.5  # of what was asked
STAYED_POINTS = 5.0
DENIED_SHARE = 0.6  # of what the air meter shows; pressure and air seldom differ by a third


def too_much(rule: Rule, seen: Seen) -> list[Chance]:
    """Flow against what this car passed when first known, else against its size."""
    most = seen.balance.most_gain_g_s()
    made = []
    for judged in seen.openings:
        flow = judged.flow
        if flow is None or most is None or flow.opening < TOO_MUCH_LEAST:
            continue
        due_g_s = most * flow.scale * flow.opening
        if due_g_s < CLEAR_SIGMAS * flow.sd_g_s:
            continue
        share = 100 * flow.flow_g_s / due_g_s
        sure = flow.flow_g_s - SURE_SIGMAS * flow.sd_g_s > due_g_s
        if sure and _pressure_denies(judged, share, most / seen.balance.due_gain_g_s()):
            continue
        fact = f"gas displaced {flow.flow_g_s:.1f} g/s where {due_g_s:.1f} is due"
        made.append(_chance(judged, share > rule.limit("fail_above") and sure, share, fact))
    return made


def _pressure_denies(judged: Judged, share_pct: float, due_part: float) -> bool:
    """Whether manifold pressure, held against shut on both sides, surely shows less than the air
    meter does: then neither is believed. ``due_part``: what is due here, of the usual due."""
    aba, sd, due = judged.aba_kpa, judged.aba_sd_kpa, judged.opening.map_step_due_kpa
    if aba is None or sd is None or due is None:
        return False
    return 100 * (aba + SURE_SIGMAS * sd) < DENIED_SHARE * share_pct * due * due_part


def surge(rule: Rule, seen: Seen) -> list[Chance]:
    """Each opening at steady foot: engine speed does not dip, nor more than it usually does."""
    made = []
    for judged in seen.openings:
        dip = judged.surge_pct
        if dip is None:
            continue
        usual = seen.baselines.usual(rule.name) or 0.0
        failed = dip > max(rule.limit("fail_above"), rule.limit("baseline_factor") * usual)
        if not failed and rule.name not in seen.accused:
            seen.baselines.learn(rule.name, dip)
        made.append(_chance(judged, failed, dip, f"engine speed dipped by {dip:.1f} %"))
    return made


def moves_without_flow(rule: Rule, judged: Judged) -> Chance | None:
    """The position says open as asked: then missing gas is the passage's."""
    flow, opening = judged.flow, judged.opening
    if flow is None or not judged.measured or opening.moved_pct is None:
        return None
    if opening.moved_pct < max(STAYED_POINTS, OPENED_SHARE * opening.asked_pct):
        return None
    if flow.due_g_s < CLEAR_SIGMAS * flow.sd_g_s:
        return None
    missing = 100 * (1 - flow.flow_g_s / flow.due_g_s)
    fact = f"moved {opening.moved_pct:.0f} points, {missing:.0f} % of the gas due is missing"
    return _chance(judged, missing > rule.limit("fail_above"), missing, fact)


def flows_without_move(rule: Rule, judged: Judged) -> Chance | None:
    """The position says shut although asked open: gas as asked then belies the sensor."""
    flow, opening = judged.flow, judged.opening
    if flow is None or not judged.measured or opening.moved_pct is None:
        return None
    stayed = opening.moved_pct <= min(STAYED_POINTS, OPENED_SHARE * opening.asked_pct)
    if not stayed or flow.due_asked_g_s < CLEAR_SIGMAS * flow.sd_g_s:
        return None
    share = 100 * flow.flow_g_s / flow.due_asked_g_s
    fact = f"moved {opening.moved_pct:.0f} points, yet {share:.0f} % of the gas asked for flows"
    return _chance(judged, share > rule.limit("fail_above"), share, fact)


def _chance(judged: Judged, failed: bool, measure: float, fact: str) -> Chance:
    opening = judged.opening
    return Chance(
        opening.start_ms, opening.end_ms, failed, round(measure, 1), fact, dict(opening.context)
    )
