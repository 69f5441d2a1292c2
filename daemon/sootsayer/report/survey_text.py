"""A survey as text of at most 80 columns and as JSON. VINs are masked in both."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from sootsayer.judge.codes import MonitorResult
from sootsayer.judge.visibility import CODES, RESULTS, Addition, LinkSight
from sootsayer.report.channel_words import label_of, sensor_for
from sootsayer.report.codes import readiness_json, result_json, sight_json
from sootsayer.report.survey import ChannelGot, Survey, UnitFound
from sootsayer.report.survey_added import AddedFound
from sootsayer.report.vehicle_file import masked_vin
from sootsayer.units import say_count

WIDTH = 80
OWN_WORDS = {CODES: "trouble codes", RESULTS: "results of the car's own test, service 06"}
KINDS_FOR_BROKEN = 2  # fewer kinds of evidence can only make a link doubtful
BIT_FIELDS = ("monitor_", "o2sloc")  # told in words, or of no use to a person
LATE = 1.5  # times the wanted pace: less often than that is worth a remark


def survey_text(survey: Survey) -> str:
    parts = (_who, _links, _help, _added, _channels, _codes)
    paragraphs = ["\n".join(lines) for part in parts if (lines := list(part(survey)))]
    return "\n\n".join(paragraphs) + "\n"


def _wrapped(text: str, hanging: int = 2) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=" " * hanging, break_on_hyphens=False)


# ---------------------------------------------------------------- who answers


def _who(survey: Survey) -> Iterator[str]:
    yield f"Connected: {survey.connection or 'to no car; added sensors alone'}"
    for key, value in survey.device.items():
        yield from _wrapped(f"{key}: {value}")
    for unit in survey.units:
        yield from _wrapped(_unit_words(unit))


def _unit_words(unit: UnitFound) -> str:
    words = [f"Control unit {unit.unit}"]
    if unit.name:
        words.append(unit.name)
    if unit.vin:
        words.append(f"VIN {masked_vin(unit.vin)}")
    words += [f"calibration {calibration}" for calibration in unit.calibrations]
    words.append(say_count(unit.parameters, "parameter"))
    return ", ".join(words)


# ---------------------------------------------------------------- what can be judged


def _links(survey: Survey) -> Iterator[str]:
    yield "What can be seen, link by link:"
    for sight in survey.links:
        yield from _wrapped(f"  {sight.link:<7} {_link_words(sight)}", hanging=10)
        for rule in sight.silent:
            yield from _wrapped(
                f"          not armed: {rule.rule} {rule.title} (needs {_needs(rule.missing)})",
                hanging=12,
            )
    told = {rule for sight in survey.links for rule in sight.silent}
    for rule in (rule for rule in survey.rules if not rule.armed and rule not in told):
        yield from _wrapped(f"  not armed: {rule.rule} {rule.title} (needs {_needs(rule.missing)})")


def _link_words(sight: LinkSight) -> str:
    if not sight.seen:
        return "unseen"
    rules = ", ".join(rule.rule for rule in sight.armed)
    kinds = ", ".join(sight.kinds)
    if len(sight.kinds) >= KINDS_FOR_BROKEN:
        return f"seen by {kinds} ({rules})"
    return f"seen by {kinds} alone ({rules}): at most doubtful"


def _needs(missing: tuple[str, ...]) -> str:
    return "; ".join(" or ".join(map(_label, need.split("|"))) for need in missing)


def _label(channel: str) -> str:
    return OWN_WORDS.get(channel) or label_of(channel)


def _help(survey: Survey) -> Iterator[str]:
    if survey.additions:
        yield from _wrapped(f"What would show more: {_addition_words(survey.additions[0])}.")
    elif all(rule.armed for rule in survey.rules):
        yield "Every rule is armed."
    elif not survey.lacking:
        yield "No sensor would arm more: the rest is what control units say of themselves."
    else:
        lacking = ", ".join(map(_label, survey.lacking[:3]))
        yield from _wrapped(f"No single channel would arm a rule; most is missing of: {lacking}.")


def _addition_words(addition: Addition) -> str:
    sensor = sensor_for(addition.channel)
    fitted = f" ({sensor})" if sensor else ""
    return f"{_label(addition.channel)}{fitted} would arm {', '.join(addition.arms)}"


# ---------------------------------------------------------------- streams and sensors


def _added(survey: Survey) -> Iterator[str]:
    if survey.added:
        yield "Streams and sensors of your own:"
    for added in survey.added:
        yield from _wrapped(f"  {added.source}: {_added_words(added)}", hanging=4)


def _added_words(added: AddedFound) -> str:
    if not added.channels:
        return "gives no channel"
    parts = []
    if added.given:
        parts.append(f"gives {', '.join(added.given)}; arms {', '.join(added.arms) or 'no rule'}")
    silent = [channel for channel in added.channels if channel not in added.given]
    if silent:
        why = f" ({added.trouble})" if added.trouble else ""
        helps = ", ".join(added.would_arm) or "no rule"
        parts.append(f"nothing came of {', '.join(silent)}{why}; that would arm {helps}")
    return "; ".join(parts)


# ---------------------------------------------------------------- channels


def _channels(survey: Survey) -> Iterator[str]:
    yield f"Channels, over {survey.seconds:.0f} s (* a rule that is armed needs it):"
    yield f"  {'channel':<15} {'last':>16}   {'every':>8} {'wanted':>8}"
    for got in survey.channels:
        if not got.channel.startswith(BIT_FIELDS):
            yield _channel_words(got)
    if survey.unanswered:
        names = ", ".join(survey.unanswered)
        yield from _wrapped(f"Announced, but not heard of in that time: {names}")


def _channel_words(got: ChannelGot) -> str:
    mark = "*" if got.needed else " "
    value = f"{got.last:.6g} {got.unit}".strip()
    every = "once" if got.every_s is None else f"{got.every_s:.2f} s"
    wanted = "" if got.wanted_s is None else f"{got.wanted_s:g} s"
    return f"{mark} {got.channel:<15} {value:>16}   {every:>8} {wanted:>8}{_remark(got)}".rstrip()


def _remark(got: ChannelGot) -> str:
    late = got.every_s is not None and got.wanted_s is not None
    if late and got.needed and (got.every_s or 0) > LATE * (got.wanted_s or 0):
        return "  slower than wanted"
    return ""


# ---------------------------------------------------------------- codes


def _codes(survey: Survey) -> Iterator[str]:
    if not survey.codes_asked:
        yield "Trouble codes: no control unit answered."
    elif not survey.codes:
        yield "Trouble codes: none."
    else:
        yield "Trouble codes:"
    for sight in survey.codes:
        kinds = ", ".join(sight.seen)
        name = f": {sight.name}" if sight.name else ""
        yield from _wrapped(f"  {sight.code}{name} ({kinds}; control unit {sight.unit})", hanging=4)
    for frame in survey.frames:
        values = ", ".join(f"{channel} {value}" for channel, value in frame.values.items())
        yield from _wrapped(f"  when {frame.code} was stored: {values or 'nothing kept'}")
    yield from _readiness(survey)
    if survey.results:
        yield "Results of its own tests (service 06):"
    for result in survey.results:
        yield from _wrapped(f"  {_result_words(result)}", hanging=4)


def _readiness(survey: Survey) -> Iterator[str]:
    status = survey.readiness.since_cleared
    if status is None:
        return
    lamp = "on" if status.lamp_on else "off"
    if not status.egr_supported:
        state = "it has no monitor for recirculation"
    elif status.egr_complete:
        state = "its recirculation monitor is complete since codes were cleared"
    else:
        state = "its recirculation monitor is not complete since codes were cleared"
    yield from _wrapped(f"The lamp is {lamp}; {state}.")


def _result_words(result: MonitorResult) -> str:
    unit = f" {result.unit}".rstrip()
    limits = []
    if result.least is not None:
        limits.append(f"at least {result.least:.6g}")
    if result.greatest is not None:
        limits.append(f"at most {result.greatest:.6g}")
    said = f"monitor {result.monitor:02X} test {result.test:02X}: {result.value:.6g}{unit}"
    if limits:
        said += f", {' and '.join(limits)}{unit}"
    said += ", passed" if result.passed else ", failed"
    if result.margin_pct is not None:
        said += f", margin {result.margin_pct:.0f} %"
    return f"{said}, control unit {result.control_unit}" if result.control_unit else said


# ---------------------------------------------------------------- JSON


def survey_json(survey: Survey) -> dict[str, Any]:
    """The same as one JSON object."""
    return {
        "connection": survey.connection,
        "seconds": round(survey.seconds, 1),
        "device": dict(survey.device),
        "units": [
            {"unit": u.unit, "name": u.name, "vin": masked_vin(u.vin),
             "calibrations": list(u.calibrations), "parameters": u.parameters}
            for u in survey.units
        ],
        "links": [
            {"link": sight.link, "seen": sight.seen, "kinds": list(sight.kinds),
             "armed": [rule.rule for rule in sight.armed],
             "silent": [rule.rule for rule in sight.silent]}
            for sight in survey.links
        ],
        "rules": [
            {"rule": rule.rule, "title": rule.title, "link": rule.link, "armed": rule.armed,
             "missing": list(rule.missing)}
            for rule in survey.rules
        ],
        "additions": [
            {"channel": a.channel, "label": _label(a.channel), "sensor": sensor_for(a.channel),
             "arms": list(a.arms)}
            for a in survey.additions
        ],
        "added": [
            {"source": a.source, "channels": list(a.channels), "given": list(a.given),
             "arms": list(a.arms), "would_arm": list(a.would_arm), "trouble": a.trouble}
            for a in survey.added
        ],
        "channels": [
            {"channel": c.channel, "label": label_of(c.channel), "unit": c.unit,
             "readings": c.readings, "last": c.last,
             "every_s": None if c.every_s is None else round(c.every_s, 3),
             "wanted_s": c.wanted_s, "needed": c.needed}
            for c in survey.channels
        ],
        "unanswered": list(survey.unanswered),
        "codes_asked": survey.codes_asked,
        "codes": [sight_json(sight) for sight in survey.codes],
        "freeze_frames": [
            {"unit": f.unit, "code": f.code, "values": dict(f.values)} for f in survey.frames
        ],
        "monitor_results": [result_json(result) for result in survey.results],
        "readiness": readiness_json(survey.readiness)["since_cleared"],
    }  # fmt: skip
