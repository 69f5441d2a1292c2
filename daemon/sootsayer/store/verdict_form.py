"""A verdict as people and other programs get it: UTC for every time, log time beside it.

It lives with the archive because a verdict is kept in log time and dressed when it is read: a
clock corrected later corrects the times of what was found before.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sootsayer.model import Alert, Cause, Check, LinkFinding, Verdict
from sootsayer.store.plain import to_plain
from sootsayer.store.walltime import utc_text

Wall = Callable[[int], int]


def verdict_form(verdict: Verdict, wall: Wall) -> dict[str, Any]:
    """The object ``judge --json`` prints; ``wall`` gives Unix time in ms of a log time."""
    form = {
        "vehicle": verdict.vehicle,
        "at": _utc(verdict.t_ms, wall),
        "at_ms": verdict.t_ms,
        "span": {
            "start": _utc(verdict.start_ms, wall),
            "end": _utc(verdict.end_ms, wall),
            "start_ms": verdict.start_ms,
            "end_ms": verdict.end_ms,
            "engine_s": verdict.engine_s,
            "trips": verdict.trips,
        },
        "sentence": verdict.sentence,
        "why": verdict.why,
        "links": [_link(finding) for finding in verdict.links],
        "alerts": [alert_form(alert, wall) for alert in verdict.alerts],
        "causes": [_cause(cause) for cause in verdict.causes],
        "next_check": None if verdict.next_check is None else _check(verdict.next_check),
        "circumstances": verdict.circumstances,
        "sure": verdict.sure,
        "learned": verdict.learned,
        "notes": verdict.notes,
        "repairs": verdict.repairs,
    }
    plain: dict[str, Any] = to_plain(form)
    return plain


def alert_form(alert: Alert, wall: Wall) -> dict[str, Any]:
    """One alert; ``first``, ``raised``, ``last`` and ``cleared`` in UTC and log time."""
    form = {
        "rule": alert.rule,
        "link": alert.link,
        "state": alert.state,
        "seen": alert.seen,
        "chances": alert.chances,
        "eligible_s": alert.eligible_s,
        "measure": alert.measure,
        "limit": alert.limit,
        "unit": alert.unit,
        "title": alert.title,
        "text": alert.text,
        "doubt": alert.doubt,
        "channels": alert.channels,
    }
    for name in ("first", "raised", "last", "cleared"):
        t_ms = getattr(alert, f"{name}_ms")
        form[name] = None if t_ms is None else _utc(t_ms, wall)
        form[f"{name}_ms"] = t_ms
    plain: dict[str, Any] = to_plain(form)
    return plain


def _link(finding: LinkFinding) -> dict[str, Any]:
    return {
        "link": finding.link,
        "state": finding.state,
        "chances": finding.chances,
        "failed": finding.failed,
        "eligible_s": finding.eligible_s,
        "fact": finding.fact,
        "kinds": finding.kinds,
    }


def _cause(cause: Cause) -> dict[str, Any]:
    return {
        "cause": cause.cause,
        "title": cause.title,
        "weight": cause.weight,
        "for": cause.speaks_for,
        "against": cause.speaks_against,
    }


def _check(check: Check) -> dict[str, Any]:
    form = {name: getattr(check, name) for name in Check.__dataclass_fields__}
    form["outcomes"] = [{"if": what, "means": meaning} for what, meaning in check.outcomes]
    return form


def _utc(t_ms: int, wall: Wall) -> str:
    return utc_text(wall(t_ms))
