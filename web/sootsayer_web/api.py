"""The JSON interface: each function answers one route of the table in ``interface``."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import Blueprint, Response, jsonify, request
from flask.typing import ResponseReturnValue

from sootsayer.model import SootsayerError
from sootsayer_web.alerts import alert_answer, alerts_answer, episode_answer, episodes_of
from sootsayer_web.interface import PREFIX, ROUTES, openapi
from sootsayer_web.live import event_stream
from sootsayer_web.logger import channels_answer, health_answer, own_version, trips_answer
from sootsayer_web.now import now_answer
from sootsayer_web.phone_clock import clock_answer
from sootsayer_web.state import dashboard
from sootsayer_web.trace import parse_question, trace_answer

View = Callable[..., ResponseReturnValue]


class BadQuestion(SootsayerError):
    """The question is at fault, not the archive."""


def now() -> ResponseReturnValue:
    return jsonify(now_answer(dashboard().records, dashboard().limits))


def alerts() -> ResponseReturnValue:
    archive = dashboard().records.open()
    try:
        found = alerts_answer(archive, request.args.get("link"), request.args.get("state"))
    except SootsayerError as wrong:
        raise BadQuestion(str(wrong)) from wrong
    return jsonify({"alerts": found})


def alert(alert_id: int) -> ResponseReturnValue:
    archive = dashboard().records.open()
    row = archive.reader.alert(alert_id) if archive is not None else None
    if archive is None or row is None:
        return refusal(f"there is no alert {alert_id}; /api/v1/alerts lists them all", 404)
    episodes = [episode_answer(archive.times, one) for one in episodes_of(archive, row)]
    return jsonify(alert_answer(archive.times, row) | {"episodes": episodes})


def trips() -> ResponseReturnValue:
    return jsonify({"trips": trips_answer(dashboard().records.open())})


def channels() -> ResponseReturnValue:
    return jsonify({"channels": channels_answer(dashboard().records.open())})


def trace() -> ResponseReturnValue:
    archive = dashboard().records.open()
    try:
        question = parse_question(request.args, dashboard().limits)
        if archive is None:
            raise SootsayerError("channels: nothing is recorded yet, so there is nothing to draw")
        return jsonify(trace_answer(archive, question))
    except SootsayerError as wrong:
        raise BadQuestion(str(wrong)) from wrong


def health() -> ResponseReturnValue:
    return jsonify(health_answer(dashboard().records, dashboard().limits))


def clock() -> ResponseReturnValue:
    return jsonify(clock_answer(dashboard().records.open(), dashboard().limits))


def live() -> ResponseReturnValue:
    here = dashboard()
    if not here.streams.acquire(blocking=False):
        refused = refusal(
            f"{here.limits.streams} live pages are open, which is all; close one, or reload later",
            503,
        )
        refused.headers["Retry-After"] = "30"
        return refused
    # The server can tell that the browser has gone, long before the next heartbeat would.
    gone = request.environ.get("waitress.client_disconnected", lambda: False)
    stream = event_stream(here.watch, here.limits, lambda: here.stop.is_set() or gone(), here.stop)
    response = Response(stream, mimetype=EVENT_STREAM)
    # A generator that was never started runs no "finally": only this is sure to be called.
    response.call_on_close(here.streams.release)
    return response


EVENT_STREAM = "text/event-stream"


def description() -> ResponseReturnValue:
    return jsonify(openapi(own_version()))


VIEWS: dict[str, View] = {
    "now": now,
    "alerts": alerts,
    "alert": alert,
    "trips": trips,
    "channels": channels,
    "trace": trace,
    "health": health,
    "clock": clock,
    "live": live,
    "openapi": description,
}


def refusal(says: str, status: int) -> Response:
    response: Response = jsonify({"error": says})
    response.status_code = status
    return response


def make_api() -> Blueprint:
    """The blueprint with every route of the table, and errors as JSON."""
    api = Blueprint("api", __name__, url_prefix=PREFIX)
    for route in ROUTES:
        api.add_url_rule(route.path, route.view, VIEWS[route.view])
    api.register_error_handler(BadQuestion, _bad_question)
    api.register_error_handler(SootsayerError, _trouble)
    return api


def _bad_question(wrong: Any) -> Response:
    return refusal(str(wrong), 400)


def _trouble(trouble: Any) -> Response:
    return refusal(str(trouble), 503)
