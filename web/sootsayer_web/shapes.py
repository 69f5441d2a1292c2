"""The shapes of all JSON answers, as JSON Schema for the interface description.

Every key of an answer is named here and every one is always present, so ``required`` is the
whole list of properties and nothing else is allowed.
"""

from __future__ import annotations

from typing import Any

from sootsayer.model import AlertState, Link, LinkState
from sootsayer_web.recorder import STATES

Shape = dict[str, Any]

TEXT: Shape = {"type": "string"}
NUMBER: Shape = {"type": "number"}
WHOLE: Shape = {"type": "integer"}
YES_NO: Shape = {"type": "boolean"}
MOMENT: Shape = {"type": "string", "format": "date-time", "description": "UTC, ISO 8601"}
ANYTHING: Shape = {"type": "object", "additionalProperties": True}


def maybe(shape: Shape) -> Shape:
    """The shape, or null where the car or the recorder does not give it."""
    return {"anyOf": [shape, {"type": "null"}]}


def every(shape: Shape) -> Shape:
    return {"type": "array", "items": shape}


def one_of(values: Any) -> Shape:
    return {"type": "string", "enum": [str(value) for value in values]}


def named(**properties: Shape) -> Shape:
    """An object with exactly these keys. A trailing underscore spares Python's own words."""
    clean = {name.rstrip("_"): shape for name, shape in properties.items()}
    return {
        "type": "object",
        "properties": clean,
        "required": list(clean),
        "additionalProperties": False,
    }


LINK_FINDING: Shape = {
    # The verdict may say more of a link (its kinds of evidence) than is pinned.
    **named(
        link=one_of(Link),
        state=one_of(LinkState),
        chances=WHOLE,
        failed=WHOLE,
        eligible_s=NUMBER,
        fact=TEXT,
    ),
    "additionalProperties": True,
}
CAUSE: Shape = {
    **named(cause=TEXT, weight=NUMBER, for_=every(TEXT), against=every(TEXT)),
    "additionalProperties": True,
}
SPAN: Shape = {
    **named(start=MOMENT, end=MOMENT, engine_s=NUMBER, trips=WHOLE),
    "additionalProperties": True,
}
ALERT_KEYS: Shape = {
    "id": WHOLE,
    "rule": TEXT,
    "link": maybe(one_of(Link)),
    "state": one_of(AlertState),
    "first": MOMENT,
    "raised": MOMENT,
    "last": MOMENT,
    "cleared": maybe(MOMENT),
    "seen": WHOLE,
    "chances": WHOLE,
    "eligible_s": NUMBER,
    "measure": maybe(NUMBER),
    "limit": maybe(NUMBER),
    "unit": TEXT,
    "title": TEXT,
    "text": TEXT,
    "channels": every(TEXT),
    "doubt": TEXT,
}
ALERT: Shape = named(**ALERT_KEYS)
EPISODE: Shape = named(start=MOMENT, end=MOMENT, failed=YES_NO, measure=maybe(NUMBER), fact=TEXT)
ALERT_IN_FULL: Shape = named(**ALERT_KEYS, episodes=every(EPISODE))
ALERTS: Shape = named(alerts=every(ALERT))
RECORDER: Shape = named(
    state=one_of(STATES),
    says=TEXT,
    since=maybe(MOMENT),
    reason=TEXT,
    last_reading=maybe(MOMENT),
    clock_trusted=YES_NO,
)
OPENING: Shape = named(
    start=MOMENT,
    end=MOMENT,
    asked_pct=NUMBER,
    moved_pct=maybe(NUMBER),
    flow_g_s=maybe(NUMBER),
    flow_sd_g_s=maybe(NUMBER),
    due_g_s=maybe(NUMBER),
    gas_pct=maybe(NUMBER),
    gas_sd_pct=maybe(NUMBER),
)
RECENT: Shape = named(
    start=maybe(MOMENT),
    end=maybe(MOMENT),
    asked=maybe(TEXT),
    moved=maybe(TEXT),
    permitted=every(named(start=MOMENT, end=MOMENT)),
    openings=every(OPENING),
)
NOW: Shape = named(
    vehicle=TEXT,
    span=maybe(SPAN),
    links=every(LINK_FINDING),
    alerts=every(ALERT),
    causes=every(CAUSE),
    next_check=maybe(ANYTHING),
    circumstances=every(TEXT),
    sure=every(TEXT),
    sentence=TEXT,
    why=TEXT,
    learned=ANYTHING,
    notes=every(TEXT),
    repairs=every(TEXT),
    recorder=RECORDER,
    trip=maybe(named(number=WHOLE, running_s=NUMBER)),
    recent=RECENT,
    first_steps=every(named(title=TEXT, done=YES_NO, says=TEXT)),
)
TRIPS: Shape = named(
    trips=every(
        named(
            number=WHOLE,
            start=MOMENT,
            end=MOMENT,
            open=YES_NO,
            running_s=NUMBER,
            distance_km=NUMBER,
            openings=WHOLE,
        )
    )
)
CHANNELS: Shape = named(
    channels=every(
        named(
            channel=TEXT,
            label=TEXT,
            unit=TEXT,
            first=maybe(MOMENT),
            last=maybe(MOMENT),
            samples=WHOLE,
        )
    )
)
TRACE: Shape = named(
    start=MOMENT,
    end=MOMENT,
    width=WHOLE,
    channels=every(
        named(
            channel=TEXT,
            label=TEXT,
            unit=TEXT,
            column_ms=WHOLE,
            t_ms=every(WHOLE) | {"description": "middle of each column, Unix milliseconds"},
            low=every(NUMBER),
            high=every(NUMBER),
            mean=every(NUMBER),
        )
    ),
)
HEALTH: Shape = named(
    recorder=RECORDER,
    readings_per_s={"type": "object", "additionalProperties": NUMBER},
    counters=ANYTHING,
    commit_s=maybe(NUMBER),
    restarts=maybe(WHOLE),
    port=maybe(TEXT),
    board_temp_c=maybe(NUMBER),
    disk_free_bytes=maybe(WHOLE),
    versions=named(recorder=maybe(TEXT), dashboard=TEXT),
    archive=ANYTHING,
    gaps=every(named(start=MOMENT, end=MOMENT, lasted_s=NUMBER, reason=TEXT)),
    clock=every(named(at=MOMENT, trusted=YES_NO, source=TEXT, corrected_s=NUMBER)),
    starts=every(named(boot=TEXT, at=maybe(MOMENT))),
)
CLOCK: Shape = named(
    now=maybe(MOMENT),
    trusted=YES_NO,
    source=maybe(TEXT),
    may_set=YES_NO,
    apart_s=NUMBER,
    round_trip_s=NUMBER,
)
ERROR: Shape = named(error=TEXT)
SHAPES: dict[str, Shape] = {
    "Now": NOW,
    "Alerts": ALERTS,
    "Alert": ALERT_IN_FULL,
    "Trips": TRIPS,
    "Channels": CHANNELS,
    "Trace": TRACE,
    "Health": HEALTH,
    "Clock": CLOCK,
    "Error": ERROR,
}
