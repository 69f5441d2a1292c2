"""What each opening says to the rules of Move and Flow."""

from __future__ import annotations

from sootsayer.derive.opened import Flow, Judged
from sootsayer.model import Opening
from sootsayer.rules.book import Rule
from sootsayer.rules.seen import Chance
from sootsayer.units import say_error

# A sound opening must be visible at five standard deviations before it counts as a chance;
# then one that passes its full flow is called missing once in some ten thousand.
POWER_SIGMAS = 5.0
MISSING_SIGMAS = 2.0
AS_ASKED_PCT = 25.0  # missing less than this, the valve is open in spite of its sensor
SHORT_SHARE = 0.5  # of the settled time, as in rule M1
OPENED_POINTS = 5.0  # a valve that moved less than this has not opened


def follow(rule: Rule, judged: Judged) -> Chance | None:
    if not judged.measured or judged.settled_frames < 2 or judged.opening.moved_pct is None:
        return None
    short = judged.short_frames >= judged.over_frames
    off_pct = 100 * max(judged.short_frames, judged.over_frames) / judged.settled_frames
    opening = judged.opening
    failed = off_pct > rule.limit("fail_above")
    fact = f"asked {opening.asked_pct:.0f} %, moved {opening.moved_pct:.0f} points"
    if failed:
        fact += ", short" if short else ", too far"
    return _chance(opening, failed, off_pct, fact)


def _missing_pct(flow: Flow, due_g_s: float) -> float | None:
    """Share of the due flow that is missing, None where a sound flow could not have been seen."""
    if due_g_s < POWER_SIGMAS * flow.sd_g_s:
        return None
    return 100 * (1 - flow.flow_g_s / due_g_s)


def _is_missing(rule: Rule, missing_pct: float, sd_pct: float) -> bool | None:
    """Above the rule's limit, or surely below it; None in between, where neither is shown."""
    if missing_pct > rule.limit("fail_above"):
        return True
    return False if 100 - missing_pct > MISSING_SIGMAS * sd_pct else None


def _chance(opening: Opening, failed: bool | None, measure: float, fact: str) -> Chance | None:
    if failed is None:
        return None
    circumstances = dict(opening.context) | {"asked_pct": round(opening.asked_pct, 1)}
    return Chance(opening.start_ms, opening.end_ms, failed, round(measure, 1), fact,
                  circumstances)  # fmt: skip


def flow(rule: Rule, judged: Judged) -> Chance | None:
    flow = judged.flow
    if flow is None or stayed_shut(judged.opening):
        return None
    missing_pct = _missing_pct(flow, flow.due_g_s)
    if missing_pct is None:
        return None
    failed = _is_missing(rule, missing_pct, 100 * flow.sd_g_s / flow.due_g_s)
    return _chance(judged.opening, failed, missing_pct, _said(flow, flow.due_g_s))


def stayed_shut(opening: Opening) -> bool:
    """Whether the position says that the valve did not open: then flow had no chance."""
    return opening.moved_pct is not None and opening.moved_pct < OPENED_POINTS


def _said(flow: Flow, due_g_s: float) -> str:
    return (
        f"gas displaced {flow.flow_g_s:.1f} ± {say_error(flow.sd_g_s)} g/s of air "
        f"where {due_g_s:.1f} is due"
    )


def flow_when_short(rule: Rule, judged: Judged) -> Chance | None:
    """Whether a valve that reads short passes no gas, or on the contrary as much as was asked.

    Some gas, as a half-open valve gives, neither proves nor disproves its reading.
    """
    flow = judged.flow
    if not judged.measured or flow is None:
        return None
    if judged.short_frames <= SHORT_SHARE * judged.settled_frames:
        return None
    missing_pct = _missing_pct(flow, flow.due_asked_g_s)
    if missing_pct is None:
        return None
    failed = _is_missing(rule, missing_pct, 100 * flow.sd_g_s / flow.due_asked_g_s)
    if not failed and missing_pct > AS_ASKED_PCT:
        return None
    said = f"{_said(flow, flow.due_asked_g_s)}, while the position stayed short"
    return _chance(judged.opening, failed, missing_pct, said)


def pressure(rule: Rule, judged: Judged) -> Chance | None:
    """Manifold pressure as second opinion: its step at the edge, else its level over the opening
    against what this throttle and speed give with the valve shut."""
    opening, cross = judged.opening, judged.cross
    if stayed_shut(opening):
        return None
    step, sd, due = opening.map_step_kpa, opening.map_step_sd_kpa, opening.map_step_due_kpa
    if step is not None and sd is not None and due is not None and due >= POWER_SIGMAS * sd:
        missing_pct = 100 * (1 - step / due)
        failed = _is_missing(rule, missing_pct, 100 * sd / due)
        fact = f"manifold pressure stepped {step:+.1f} kPa where {due:.1f} is due"
        return _chance(opening, failed, missing_pct, fact)
    missing = None if cross is None else _missing_pct(cross, cross.due_g_s)
    if cross is None or missing is None:
        return None
    failed = _is_missing(rule, missing, 100 * cross.sd_g_s / cross.due_g_s)
    said = f"by manifold pressure at this throttle, {_said(cross, cross.due_g_s)}"
    return _chance(opening, failed, missing, said)
