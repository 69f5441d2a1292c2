"""Inputs that permit recirculation, and whether they can be believed (rules P3…)."""

from __future__ import annotations

import math

from sootsayer.derive.warmups import KeyOn, Stand, WarmUp
from sootsayer.rules.book import Rule
from sootsayer.rules.seen import Chance, Seen

SPAN_FULL_PCT = 100.0
ENDS_C = (-39.0, 125.0)  # the ends of a broken or shorted sensor's range; no engine is there
LONG_REST_S = 8 * 3600.0  # after a night, coolant and intake air are as warm as each other
LONG_REST_APART_K = 20.0  # the sun on one sensor makes ten
STILL_K = 0.6  # less than one step of a one-degree reading
COLD_START_C = 60.0
WARM_UP_LEAST_K = 2.0
STOOD_S, MOVED_S = 60.0, 180.0  # standing heats intake air, moving cools it


def warm_up(rule: Rule, seen: Seen) -> list[Chance]:
    """Each quarter of an hour from a start: coolant is warm by then, unless it freezes outside."""
    made = []
    for record in seen.happened.warm_ups:
        ambient = record.ambient_low if not math.isnan(record.ambient_low) else record.iat_low
        if math.isnan(record.ect_last) or not ambient > rule.limit("ambient_above_c"):
            continue
        if record.moved_s < rule.limit("moving_least_s"):
            continue
        failed = record.ect_last < rule.limit("fail_below")
        fact = f"coolant at {record.ect_last:.0f} °C after fifteen minutes"
        made.append(_chance(record, failed, record.ect_last, fact, seen))
    return made


def temperatures(rule: Rule, seen: Seen) -> list[Chance]:
    """Each quarter of an hour from a start: what coolant and intake air say can be true."""
    made = []
    for record in seen.happened.warm_ups:
        if math.isnan(record.ect_last) and math.isnan(record.iat_low):
            continue
        wrong = _impossible(record)
        still = record.iat_high - record.iat_low < STILL_K
        if still and not wrong:
            continue  # steady weather or a frozen sensor: this drive cannot tell
        fact = "; ".join(wrong) or "coolant and intake temperature are credible"
        made.append(_chance(record, bool(wrong), float(len(wrong)), fact, seen))
    return made


def _impossible(record: WarmUp) -> list[str]:
    wrong = []
    for word, low, high in (
        ("coolant", record.ect_low, record.ect_high),
        ("intake air", record.iat_low, record.iat_high),
    ):
        if low <= ENDS_C[0] or high >= ENDS_C[1]:
            wrong.append(f"{word} read {low if low <= ENDS_C[0] else high:.0f} °C")
    risen = record.ect_high - record.ect_first
    if record.ect_first < COLD_START_C and risen < WARM_UP_LEAST_K:
        wrong.append(f"coolant stood at {record.ect_first:.0f} °C from a cold start")
    mixed = record.stood_s >= STOOD_S and record.moved_s >= MOVED_S
    if mixed and record.iat_high - record.iat_low < STILL_K:
        wrong.append(f"intake air stood at {record.iat_low:.0f} °C throughout")
    apart = abs(record.ect_first - record.iat_first)
    if (record.soak_s or 0.0) >= LONG_REST_S and apart > LONG_REST_APART_K:
        wrong.append(f"coolant and intake air were {apart:.0f} K apart after a long rest")
    return wrong


def key_on(rule: Rule, seen: Seen) -> list[Chance]:
    """Each key-on before the start: the manifold is at barometric pressure."""
    made = []
    for record in seen.happened.key_ons:
        apart = record.map_kpa - record.baro_kpa
        fact = f"manifold {record.map_kpa:.0f} kPa, barometer {record.baro_kpa:.0f} kPa"
        failed = abs(apart) > rule.limit("fail_above")
        made.append(_chance(record, failed, abs(apart), fact, seen))
    return made


def closed_throttle(rule: Rule, seen: Seen) -> list[Chance]:
    """Each stop: the shut throttle reads what it read when this car was first known."""
    made = []
    for stand in seen.happened.stands:
        usual = seen.baselines.usual(rule.name)
        off = math.nan if usual is None else stand.throttle_pct - usual
        limit = rule.limit("fail_above") / SPAN_FULL_PCT * (SPAN_FULL_PCT - (usual or 0.0))
        failed = abs(off) > limit
        if not failed and rule.name not in seen.accused:
            seen.baselines.learn(rule.name, stand.throttle_pct)
        if usual is not None:
            fact = f"shut throttle at {stand.throttle_pct:.1f} %, {off:+.1f} from its place"
            made.append(_chance(stand, failed, abs(off), fact, seen))
    return made


def air_meter(seen: Seen) -> tuple[float, float, float] | None:
    """Per cent by which the air meter reads off its own first measure, under load, valve shut."""
    air = seen.happened.air
    return None if air is None else (100 * abs(air[0]), 100 * air[1], air[2])


def _chance(
    record: WarmUp | KeyOn | Stand, failed: bool, measure: float, fact: str, seen: Seen
) -> Chance:
    return Chance(record.start_ms, record.end_ms, failed, round(measure, 2), fact, seen.context)
