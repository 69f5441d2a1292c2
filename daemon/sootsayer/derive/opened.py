"""What one opening showed: how it is measured once the engine's breathing is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sootsayer.derive.balance import FlowBalance
from sootsayer.derive.orifice import GAS_SHARE_ERROR, gas_share
from sootsayer.derive.response import Response
from sootsayer.model import Opening

NEAR_CHOKING = 0.7  # MAP over barometric; above it the throttle no longer holds air nearly fixed


@dataclass(frozen=True, slots=True)
class Flow:
    """What one balance says of one opening: displaced air, its sd, and what was due, in g/s.

    ``due_asked_g_s``: due if the valve stood where it was asked to stand. ``scale``: what a gain
    is multiplied with, see ``Rows``.
    """

    flow_g_s: float
    sd_g_s: float
    due_g_s: float
    due_asked_g_s: float
    scale: float = 1.0
    opening: float = 0.0  # 0..1, over the settled part that was measured


@dataclass(frozen=True, slots=True)
class Judged:
    """An opening with the counts the rules need beside the values people read.

    ``flow`` rests on the air meter where there is one; ``cross`` is a second opinion from
    throttle and manifold pressure, which knows nothing of the air meter. ``aba_kpa``: open
    against shut on both sides, or before and after a brief closing, and its sd. ``surge_pct``:
    see ``edges.surge_pct``.
    """

    opening: Opening
    settled_frames: int
    short_frames: int
    over_frames: int
    measured: bool  # position was known and is no mere echo
    flow: Flow | None
    cross: Flow | None
    aba_kpa: float | None = None
    aba_sd_kpa: float | None = None
    surge_pct: float | None = None


def measure(record: dict[str, Any], balances: tuple[FlowBalance, FlowBalance]) -> Judged:
    """Judge what an opening gathered (see ``openings``) with what is known of the engine."""
    asked = record["asked"] / record["frames"]
    moved = record["moved"] / record["moved_n"] if record["moved_n"] else None
    counts = record["position_counts"]
    flow, cross = (
        _flow(sums, asked, balance) for sums, balance in zip(record["sums"], balances, strict=True)
    )
    gas, gas_sd = _gas(record["sums"][0], flow)
    step, step_sd, step_due = _step(record, balances[0])
    rise, fall = (_response(record[edge], counts) for edge in ("rise", "fall"))
    aba = record["aba"] or (None, None)
    context = {**record["context"], **_told(record, rise, fall)}
    opening = Opening(
        number=record["number"], trip=record["trip"], start_ms=record["start_ms"],
        end_ms=record["end_ms"], asked_pct=asked, moved_pct=moved if counts else None,
        flow_g_s=flow.flow_g_s if flow else None, flow_sd_g_s=flow.sd_g_s if flow else None,
        due_g_s=flow.due_g_s if flow else None, gas_pct=gas, gas_sd_pct=gas_sd,
        map_step_kpa=step, map_step_sd_kpa=step_sd, map_step_due_kpa=step_due,
        context=context,
    )  # fmt: skip
    return Judged(
        opening, record["settled"], record["short"], record["over"],
        counts and record["settled"] > 0, flow, cross, aba[0], aba[1], record["surge"],
    )  # fmt: skip


def _response(answer: dict[str, Any] | None, position_counts: bool) -> Response | None:
    if answer is None or not position_counts or answer["position"] is None:
        return None
    return Response(*answer["position"])


def _told(record: dict[str, Any], rise: Response | None, fall: Response | None) -> dict[str, float]:
    """What belongs among an opening's circumstances: how the valve answered."""
    told: dict[str, float] = {}
    for word, found in (("up", rise), ("down", fall)):
        if found is not None:
            told[f"dead_{word}_s"] = round(found.dead_s, 2)
            told[f"t63_{word}_s"] = round(found.t63_s, 2)
            told[f"t90_{word}_s"] = round(found.t90_s, 2)
    for word, answer in (("up", record["rise"]), ("down", record["fall"])):
        if answer is not None and answer["pressure"] is not None:
            told[f"map_t90_{word}_s"] = round(answer["pressure"][2], 2)
    if record["aba"] is not None:
        told["map_aba_kpa"] = round(record["aba"][0], 2)
    return told


def _flow(sums: dict[str, Any], asked_pct: float, balance: FlowBalance) -> Flow | None:
    rows = sums["rows"]
    if not rows or not balance.ready():
        return None
    features = np.asarray(sums["features"]) / rows
    flow, sd, common = balance.displaced(features, sums["target"] / rows, rows)
    trim_pct = sums["trim"] / sums["trims"] if sums["trims"] else float("nan")
    doubt = balance.meter_doubt_g_s(trim_pct, sums["air"] / rows)
    opening, scale = sums["opening"] / rows, sums["scale"] / rows
    full_g_s = balance.due_gain_g_s() * scale
    due_g_s = full_g_s * opening
    balance.trims.note_opening(trim_pct)
    if doubt <= sd:
        balance.note_flow((flow, sd), common, opening, scale, due_g_s, sums["charge_k"] / rows)
    sd = float(np.hypot(sd, doubt))
    return Flow(flow, sd, due_g_s, full_g_s * asked_pct / 100, scale, opening)


def _gas(sums: dict[str, Any], flow: Flow | None) -> tuple[float | None, float | None]:
    """Gas share in per cent and its standard deviation."""
    if flow is None:
        return None, None
    air, charge_k = sums["air"] / sums["rows"], sums["charge_k"] / sums["rows"]
    gas = 100 * gas_share(flow.flow_g_s, air, charge_k)
    scatter = 100 * gas_share(flow.flow_g_s + flow.sd_g_s, air, charge_k) - gas
    return gas, float(np.hypot(scatter, GAS_SHARE_ERROR * gas))


def _step(
    record: dict[str, Any], balance: FlowBalance
) -> tuple[float | None, float | None, float | None]:
    """MAP step of the opening, its sd, and the step that was due: against both neighbours where
    it has them, else at its first edge."""
    edge, sums, both = record["edge"], record["sums"][0], record["aba"]
    found = both or edge
    if found is None or not sums["rows"] or balance.compression:
        return None, None, None
    step, sd, after_kpa = found[:3]
    if after_kpa > NEAR_CHOKING * balance.baro_kpa:
        return None, None, None
    per_kpa = sums["density"] / sums["rows"] * balance.breathing()
    if per_kpa <= 0:  # breathing is not known yet: no step can be due
        return None, None, None
    gain = balance.due_gain_g_s() * sums["scale"] / sums["rows"]
    due = gain * sums["opening"] / sums["rows"] / per_kpa
    return step, sd, due
