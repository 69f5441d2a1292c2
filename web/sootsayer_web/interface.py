"""The JSON interface as one table, and its OpenAPI description built from it.

The blueprint registers exactly these routes, so what is described is what is served.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sootsayer.model import AlertState, Link
from sootsayer_web.shapes import SHAPES, Shape, one_of

PREFIX = "/api/v1"


@dataclass(frozen=True, slots=True)
class Parameter:
    name: str
    says: str
    shape: Shape
    required: bool = False
    place: str = "query"


@dataclass(frozen=True, slots=True)
class Route:
    """One address below the prefix. ``view`` is the name of the function that answers.

    ``answer`` names a shape, or is empty where the answer is not plain JSON.
    """

    path: str
    view: str
    says: str
    answer: str
    parameters: tuple[Parameter, ...] = ()
    refuses: tuple[int, ...] = ()
    kind: str = "application/json"


MOMENT_OR_MS: Shape = {
    "anyOf": [
        {"type": "string", "format": "date-time"},
        {"type": "integer", "description": "milliseconds since 1970"},
    ]
}
LINK = Parameter("link", "Only alerts of this link.", one_of(Link))
STATE = Parameter("state", "Only alerts in this state.", one_of(AlertState))
ALERT_ID = Parameter("alert_id", "The alert's number.", {"type": "integer"}, True, "path")
TRACE_PARAMETERS = (
    Parameter(
        "channels",
        "Channel ids, separated by commas; moved is the valve, read or rebuilt.",
        {"type": "string"},
        True,
    ),
    Parameter("start", "From this moment.", MOMENT_OR_MS, True),
    Parameter("end", "Up to this moment.", MOMENT_OR_MS, True),
    Parameter("width", "Columns of time.", {"type": "integer", "minimum": 1}),
)
ROUTES = (
    Route("/now", "now", "The verdict, the recorder and the last ten minutes.", "Now"),
    Route("/alerts", "alerts", "All alerts, newest evidence first.", "Alerts",
          (LINK, STATE), (400,)),
    Route("/alerts/<int:alert_id>", "alert", "One alert with every chance it was judged on.",
          "Alert", (ALERT_ID,), (404,)),
    Route("/trips", "trips", "All runs of the engine, newest first.", "Trips"),
    Route("/channels", "channels", "All channels that were ever recorded.", "Channels"),
    Route("/trace", "trace", "Smallest, largest and mean reading in each column of time.",
          "Trace", TRACE_PARAMETERS, (400,)),
    Route("/health", "health", "How well the recording itself goes.", "Health"),
    Route("/clock", "clock", "What time it is to the recorder, and whether a phone may set it.",
          "Clock"),
    Route("/live", "live", "Server-sent events: now, alerts, health and readings, when they "
          "change. The first ones come at once.", "", (), (503,), "text/event-stream"),
    Route("/openapi.json", "openapi", "This description.", ""),
)  # fmt: skip


def openapi(version: str) -> dict[str, Any]:
    """The OpenAPI 3.1 document of the interface."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Sootsayer",
            "version": version,
            "description": "What the recorder in this car knows. All times are UTC. Read only.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "servers": [{"url": PREFIX}],
        "paths": {described_path(route): {"get": _operation(route)} for route in ROUTES},
        "components": {"schemas": SHAPES},
    }


def described_path(route: Route) -> str:
    """The path as OpenAPI writes it: ``/alerts/{alert_id}``."""
    return route.path.replace("<int:", "{").replace(">", "}")


def _operation(route: Route) -> dict[str, Any]:
    answers = {"200": {"description": route.says, "content": {route.kind: _body(route.answer)}}}
    # The archive itself may be unreadable at any time, so 503 is always possible.
    for status in sorted({*route.refuses, 503}):
        answers[str(status)] = {
            "description": _REFUSALS[status],
            "content": {"application/json": _body("Error")},
        }
    return {
        "operationId": route.view,
        "summary": route.says,
        "parameters": [_parameter(parameter) for parameter in route.parameters],
        "responses": answers,
    }


_REFUSALS = {
    400: "The question is not understood; the error says what to write instead.",
    404: "There is no such thing in the archive.",
    503: "Not now: the archive cannot be read, or too many live pages are open.",
}


def _body(shape: str) -> dict[str, Any]:
    return {"schema": {"$ref": f"#/components/schemas/{shape}"} if shape else {}}


def _parameter(parameter: Parameter) -> dict[str, Any]:
    return {
        "name": parameter.name,
        "in": parameter.place,
        "required": parameter.required,
        "description": parameter.says,
        "schema": parameter.shape,
    }
