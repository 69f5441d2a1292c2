"""What the engine shows of right, missing or unwanted gas (rules of Effect beside idle)."""

from __future__ import annotations

import math

from sootsayer.derive.engine_feel import TripTrims
from sootsayer.derive.starts import Start
from sootsayer.rules.book import Rule
from sootsayer.rules.seen import Chance, Seen

CRUISE_LEAST = 0.4  # of the trim at idle: what a leak still makes of it in cruise, at most


def knock(rule: Rule, seen: Seen) -> list[Chance]:
    """Each opening: how much later the spark came than it usually does in like conditions."""
    made = []
    for opening in seen.happened.spark:
        if opening.retard_deg is None:
            continue
        retard = opening.retard_deg
        spread = seen.baselines.spread(rule.name)
        failed = False
        if spread is not None:
            limit = max(rule.limit("fail_above"), rule.limit("sigmas") * spread)
            failed = retard > limit
            fact = f"spark {abs(retard):.1f}° {'later' if retard > 0 else 'earlier'} than usual"
            made.append(
                Chance(opening.start_ms, opening.end_ms, failed, round(retard, 1), fact,
                       seen.context)
            )  # fmt: skip
        if not failed and rule.name not in seen.accused:
            seen.baselines.learn(rule.name, retard)
    return made


def hot_restart(rule: Rule, seen: Seen) -> list[Chance]:
    """Each start of a hot engine after a short rest."""
    made = []
    for start in seen.happened.starts:
        if not _is_hot(rule, start):
            continue
        wrong = []
        if start.crank_s > rule.limit("fail_above"):
            wrong.append(f"cranked for {start.crank_s:.0f} s")
        if start.stalled:
            wrong.append("died within half a minute")
        elif start.lowest_rpm < rule.limit("sag_rpm"):
            wrong.append(f"fell to {start.lowest_rpm:.0f} rpm")
        fact = " and ".join(wrong) or f"started after {start.crank_s:.1f} s"
        made.append(
            Chance(start.start_ms, start.end_ms, bool(wrong), start.crank_s, fact, seen.context)
        )
    return made


def _is_hot(rule: Rule, start: Start) -> bool:
    rest_s = start.rest_s
    return (
        rest_s is not None
        and rule.limit("rest_least_s") <= rest_s <= rule.limit("rest_most_s")
        and start.ect_c >= rule.limit("hot_from_c")
    )


def stall(rule: Rule, seen: Seen) -> list[Chance]:
    """Each coming to rest, and each death of the engine on the way."""
    made = []
    for arrival in seen.happened.arrivals:
        speed = arrival.speed_kmh
        fact = f"the engine died at {speed:.0f} km/h" if arrival.stalled else "kept running"
        made.append(Chance(arrival.t_ms, arrival.t_ms, arrival.stalled, speed, fact, seen.context))
    return made


def trim_gas(rule: Rule, seen: Seen) -> list[Chance]:
    """Each trip: trims apart in the way that only gas puts them, which takes metering by
    manifold pressure: at idle fuel is taken away where gas leaks in, and in cruise fuel is added
    only while gas is asked for and does not come. Where cruise is far up, or down by nearly as
    much as idle, the control unit has wrong how the engine breathes: a leak is a constant flow,
    and in cruise three times the air dilutes it. With an air meter gas leaves trims alone."""
    if seen.balance.mode != "throttle":
        return []
    made = []
    for trims in seen.happened.trims:
        leak = trims.cruise_pct - trims.idle_pct
        choked = trims.cruise_open_pct - trims.cruise_shut_pct
        limit = rule.limit("fail_above")
        diluted = CRUISE_LEAST * trims.idle_pct < trims.cruise_pct < limit / 2
        leaking = leak > limit and trims.idle_pct < -limit / 2 and diluted
        missing = choked > limit
        measure = max(leak if leaking else 0.0, choked if missing else 0.0)
        words = {True: "like gas leaking in at idle", False: "like gas missing in cruise"}[leaking]
        fact = _said(trims) + (f", {words}" if leaking or missing else "")
        made.append(_trims_chance(trims, leaking or missing, measure, fact, seen))
    return made


def trim_air(rule: Rule, seen: Seen) -> list[Chance]:
    """Each trip: trims far up at idle and less so in cruise are air that enters unmetered."""
    if seen.balance.mode != "maf":
        return []
    made = []
    for trims in seen.happened.trims:
        split = trims.idle_pct - trims.cruise_pct
        failed = split > rule.limit("fail_above")
        made.append(_trims_chance(trims, failed, split, _said(trims), seen))
    return made


def trim_everywhere(rule: Rule, seen: Seen) -> list[Chance]:
    """Each trip: trims far off by the same at idle and in cruise are metering or fuel."""
    made = []
    for trims in seen.happened.trims:
        both = sorted((trims.idle_pct, trims.cruise_pct), key=abs)
        same_way = trims.idle_pct * trims.cruise_pct > 0
        alike = abs(trims.idle_pct - trims.cruise_pct) < rule.limit("alike_within")
        nearest = abs(both[0]) if same_way else 0.0
        failed = alike and nearest > rule.limit("fail_above")
        made.append(_trims_chance(trims, failed, nearest, _said(trims), seen))
    return made


def _said(trims: TripTrims) -> str:
    return f"trims {trims.idle_pct:+.0f} % at idle, {trims.cruise_pct:+.0f} % in cruise"


def _trims_chance(trims: TripTrims, failed: bool, measure: float, fact: str, seen: Seen) -> Chance:
    return Chance(trims.start_ms, trims.end_ms, failed, round(measure, 1), fact, seen.context)


def heat(rule: Rule, seen: Seen) -> list[Chance]:
    """Each five warm minutes: not above the hot limit for a minute, nor far above its own usual
    place in cruise."""
    made = []
    for stretch in seen.happened.heat:
        usual = seen.baselines.usual(rule.name)
        over = stretch.cruise_ect_c - usual if usual is not None else math.nan
        hot = stretch.hot_s >= rule.limit("hot_least_s")
        above = over > rule.limit("fail_above")
        sound = not (hot or above or math.isnan(stretch.cruise_ect_c))
        if sound and rule.name not in seen.accused:
            seen.baselines.learn(rule.name, stretch.cruise_ect_c)
        fact = f"above 110 °C for {stretch.hot_s:.0f} s" if hot else f"{over:+.0f} K from its place"
        measure = 0.0 if math.isnan(over) else over
        made.append(
            Chance(stretch.start_ms, stretch.end_ms, hot or above, round(measure, 1), fact,
                   seen.context)
        )  # fmt: skip
    return made
