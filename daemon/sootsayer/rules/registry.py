"""Names that rules.toml may use for what a rule looks at, and the code behind each.

A new kind of rule is a line here and an entry there.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sootsayer.derive.opened import Judged
from sootsayer.derive.quantities import any_of
from sootsayer.model import FloatArray
from sootsayer.rules import (
    by_command,
    by_engine,
    by_flow,
    by_input,
    by_opening,
    by_recorder,
    by_response,
    by_sensor,
    by_step,
)
from sootsayer.rules.book import Rule
from sootsayer.rules.seen import Chance, Seen

Level = tuple[float, float, float]
ASK_FORBIDDEN = ("wide open", "cranking", "cold", "idle in neutral")


# ---------------------------------------------------------------- gates and quantities of time


def gate(name: str, seen: Seen) -> FloatArray:
    """When a time rule is eligible, three-valued. Most gates are running states by name."""
    return GATES[name](seen) if name in GATES else seen.q.states[name]


# Running states that may stand as a gate; they are made by ``derive.quantities``.
STATES = (
    "running", "cranking", "warm", "cold", "idle", "cruise", "wide open", "coast", "rolling",
    "neutral", "idle in neutral",
)  # fmt: skip


def quantity(name: str, seen: Seen) -> FloatArray:
    """What a time rule looks at: a registered quantity, else a channel as the car gives it."""
    return QUANTITIES[name](seen) if name in QUANTITIES else seen.q.block.column(name)


def _ask_forbidden(seen: Seen) -> FloatArray:
    """When a spark-ignition engine must not recirculate; compression ignition may at any time."""
    if not seen.spark_ignition:
        return np.full(len(seen.q.asked), np.nan)
    return any_of([seen.q.states[state] for state in ASK_FORBIDDEN])


GATES: dict[str, Callable[[Seen], FloatArray]] = {"ask forbidden": _ask_forbidden}

QUANTITIES: dict[str, Callable[[Seen], FloatArray]] = {
    "asked": lambda seen: seen.q.asked,
    "neutral": lambda seen: seen.q.states["neutral"],
    "outside band": by_command.outside_band,
    "battery": by_recorder.battery_v,
    "clock not set": by_recorder.clock_unset,
    "room is short": by_recorder.room_short,
}


# ---------------------------------------------------------------- chances


def _each_opening(
    judge: Callable[[Rule, Judged], Chance | None],
) -> Callable[[Rule, Seen], list[Chance]]:
    def chances(rule: Rule, seen: Seen) -> list[Chance]:
        made = [judge(rule, judged) for judged in seen.openings]
        return [chance for chance in made if chance is not None]

    return chances


def _idle(rule: Rule, seen: Seen) -> list[Chance]:
    """Each warm stop: steady within the limit, and within twice what this car has shown."""
    made = []
    for stop in seen.stops:
        usual = seen.baselines.usual(rule.name) or 0.0
        limit = max(rule.limit("fail_above"), rule.limit("baseline_factor") * usual)
        failed = stop.rpm_sd > limit
        if not failed and rule.name not in seen.accused:
            seen.baselines.learn(rule.name, stop.rpm_sd)
        fact = f"idle speed wandered by {stop.rpm_sd:.0f} rpm"
        made.append(
            Chance(stop.start_ms, stop.end_ms, failed, round(stop.rpm_sd, 1), fact, seen.context)
        )
    return made


def _shut(rule: Rule, seen: Seen) -> list[Chance]:
    """Each stretch with the valve asked shut."""
    made = []
    for rest in seen.rests:
        open_pct = 100 * rest.open_share
        failed = open_pct > rule.limit("fail_above")
        fact = f"open for {open_pct:.0f} % of the time it was asked shut"
        made.append(
            Chance(rest.start_ms, rest.end_ms, failed, round(open_pct, 1), fact, seen.context)
        )
    return made


def _monitor(look: str) -> Callable[[Rule, Seen], list[Chance]]:
    """What the control unit's own monitors say; they remember, so the pipeline brings them."""

    def chances(rule: Rule, seen: Seen) -> list[Chance]:
        if seen.monitor is None or not seen.happened.told:
            return []
        made: list[Chance] = getattr(seen.monitor, look)(rule, seen)
        return made

    return chances


CHANCES: dict[str, Callable[[Rule, Seen], list[Chance]]] = {
    "follow": _each_opening(by_opening.follow),
    "flow": _each_opening(by_opening.flow),
    "pressure": _each_opening(by_opening.pressure),
    "flow when short": _each_opening(by_opening.flow_when_short),
    "idle": _idle,
    "shut": _shut,
    "slow": by_step.slow,
    "sticks": by_step.sticks,
    "sticks after rest": by_step.sticks_after_rest,
    "gas at stop": by_flow.gas_at_stop,
    "uneven": by_flow.uneven,
    "too much": by_response.too_much,
    "surge": by_response.surge,
    "moves without flow": _each_opening(by_response.moves_without_flow),
    "flows without move": _each_opening(by_response.flows_without_move),
    "vacuum weak": by_sensor.each_stretch(by_sensor.vacuum_weak),
    "vacuum decays": by_sensor.each_stretch(by_sensor.vacuum_decays),
    "vacuum lingers": by_sensor.each_stretch(by_sensor.vacuum_lingers),
    "contact cold": by_sensor.each_stretch(by_sensor.contact_cold),
    "contact warm": by_sensor.each_stretch(by_sensor.contact_warm),
    "passage rise": by_sensor.each_stretch(by_sensor.passage_rise),
    "passage stays hot": by_sensor.each_stretch(by_sensor.passage_stays_hot),
    "feedback dead": by_sensor.each_stretch(by_sensor.feedback_dead),
    "feedback less": by_sensor.each_stretch(by_sensor.feedback_less),
    "feedback off zero": by_sensor.each_stretch(by_sensor.feedback_off_zero),
    "warm-up": by_input.warm_up,
    "temperatures": by_input.temperatures,
    "key on": by_input.key_on,
    "closed throttle": by_input.closed_throttle,
    "hunting": by_command.hunting,
    "knock": by_engine.knock,
    "hot restart": by_engine.hot_restart,
    "stall": by_engine.stall,
    "trims of gas": by_engine.trim_gas,
    "trims of air": by_engine.trim_air,
    "trims everywhere": by_engine.trim_everywhere,
    "heat": by_engine.heat,
    "results": _monitor("results"),
    "ready": _monitor("ready"),
    "cleared": _monitor("cleared"),
    "frozen": by_recorder.frozen,
}


# ---------------------------------------------------------------- levels


def _leak(_: Rule, seen: Seen) -> Level | None:
    """Gas past the shut valve in per cent of warm idle air."""
    leak = seen.balance.leak_g_s()
    if leak is None or seen.engine_s <= 0:
        return None
    value, sd = leak
    whole = max(seen.balance.idle_air_g_s + max(value, 0.0), 0.1)
    return 100 * value / whole, 100 * sd / whole, seen.balance.rows


def _wanting(held_against: str) -> Callable[[Rule, Seen], Level | None]:
    """Per cent of an area that the fully open valve does not pass.

    From the air meter only: by throttle the flow is biased."""

    def level(_: Rule, seen: Seen) -> Level | None:
        balance = seen.balance
        if not seen.openings or balance.mode != "maf":
            return None
        stated = held_against == "stated"
        found = balance.wanting_of_stated() if stated else balance.wanting_of_size()
        return found and _of_openings(*found, seen)

    return level


def _growth_missing(rule: Rule, seen: Seen) -> Level | None:
    """Per cent of the growth of flow with the opening that does not come. Not where the open
    valve is not choked, so that pressures set the flow, too."""
    balance = seen.balance
    if not seen.openings or balance.compression:
        return None
    if balance.baro_kpa < rule.limit("baro_least_kpa"):
        return None
    found = balance.growth()
    return found and _of_openings(1 - found[0], found[1], seen)


def _of_openings(share: float, sd: float, seen: Seen) -> Level:
    """In per cent, resting on the openings that clearly flowed; told where they brought news."""
    return 100 * share, 100 * sd, float(len(seen.balance.gains))


# measure → (value, its standard deviation, how many readings it rests on), None where not seen
LEVELS: dict[str, Callable[[Rule, Seen], Level | None]] = {
    "leak": _leak,
    "play": lambda _, seen: seen.motion.play,
    "creep": lambda _, seen: seen.motion.creep,
    "fade": lambda _, seen: seen.motion.fade,
    "drift": lambda _, seen: seen.motion.drift,
    "air meter": lambda _, seen: by_input.air_meter(seen),
    "knock contrast": lambda _, seen: seen.motion.knock,
    "less than stated": _wanting("stated"),
    "less than usual": _wanting("size"),
    "growth missing": _growth_missing,
}
