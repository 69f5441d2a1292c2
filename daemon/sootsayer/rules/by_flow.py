"""Flow counted chance by chance: gas at single stops, and openings that pass less than others."""

from __future__ import annotations

from sootsayer.derive.opened import Judged
from sootsayer.rules.book import Rule
from sootsayer.rules.by_opening import stayed_shut
from sootsayer.rules.seen import Chance, Seen

SPREAD_LEAST_PCT = 1.0  # of idle air: stops of a sound car differ by about as much
TOLD_APART = 3.0  # standard deviations between the car's own usual flow and the limit
METERING = frozenset({"N2", "P3M"})  # accused, they say that the air meter is not to be believed
AIR_LEAKS = frozenset({"N1"})  # … and this, that some air goes past it


def gas_at_stop(rule: Rule, seen: Seen) -> list[Chance]:
    """Gas with the valve asked shut: surely more than breathing under all loads leaves room
    for, or more than at this car's other stops."""
    made: list[Chance] = []
    if METERING & seen.accused:
        return made
    for stop in seen.stop_gases:
        limit = rule.limit("restless_above" if stop.restless else "fail_above")
        sigmas = rule.limit("sigmas")
        failed = stop.gas_pct > max(limit, sigmas * stop.sd_pct)
        share = stop.gas_pct
        usual, spread = (seen.baselines.usual(rule.name), seen.baselines.spread(rule.name))
        if not failed and usual is not None and spread is not None:
            share = stop.above_pct - usual
            failed = share > max(limit, sigmas * max(spread, SPREAD_LEAST_PCT))
        # Where idle does not settle the stop may be one that leaks: never the car's usual.
        if not failed and not stop.restless and rule.name not in seen.accused:
            seen.baselines.learn(rule.name, stop.above_pct)
        fact = f"{share:.0f} % of what the engine drew was gas"
        made.append(Chance(stop.start_ms, stop.end_ms, failed, round(share, 1), fact, seen.context))
    return made


def uneven(rule: Rule, seen: Seen) -> list[Chance]:
    """Each opening against what the better half of this car's own pass at such an opening.

    Not under compression ignition: there flow goes with pressures that the share of the charge
    does not catch, and sound openings differ by half. Nor while air goes past the meter: that
    looks like gas at some openings and makes the others look weak.
    """
    if not seen.openings:
        return []
    usual_g_s = seen.balance.better_gain_g_s()
    if usual_g_s is None or seen.balance.compression or (METERING | AIR_LEAKS) & seen.accused:
        return []
    made = [_against_own(rule, judged, usual_g_s) for judged in seen.openings]
    return [chance for chance in made if chance is not None]


def _against_own(rule: Rule, judged: Judged, usual_g_s: float) -> Chance | None:
    flow, opening = judged.flow, judged.opening
    if flow is None or flow.opening < rule.limit("opening_least") or stayed_shut(opening):
        return None
    usual = usual_g_s * flow.scale * flow.opening
    share, sd = 100 * flow.flow_g_s / usual, 100 * flow.sd_g_s / usual
    limit = rule.limit("fail_below")
    if 100 - limit < TOLD_APART * sd:
        return None
    failed = share + rule.limit("sigmas") * sd < limit
    fact = f"passed {share:.0f} % of what its better openings pass"
    return Chance(
        opening.start_ms, opening.end_ms, failed, round(share, 1), fact, dict(opening.context)
    )
