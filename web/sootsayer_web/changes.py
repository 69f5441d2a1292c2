"""The few changes that a person may make from a page. The dashboard itself writes nothing: it
asks the recorder, over its socket with a fixed list of requests, and says what came of it."""

from __future__ import annotations

from flask import Blueprint, Response, jsonify, request
from flask.typing import ResponseReturnValue

from sootsayer.model import SootsayerError
from sootsayer_web.api import refusal
from sootsayer_web.guard import why_refused
from sootsayer_web.phone_clock import set_by_phone
from sootsayer_web.state import dashboard

LARGEST_BYTES = 1000  # of a request: a moment is thirteen digits


def guard() -> Response | None:
    """Before every change: refuse what does not come from a page of ours."""
    why = why_refused(request, dashboard().token)
    if why:
        return refusal(why, 403)
    if (request.content_length or 0) > LARGEST_BYTES:
        return refusal(f"the request is larger than {LARGEST_BYTES} bytes", 413)
    return None


def set_clock() -> ResponseReturnValue:
    """The form value ``wall_ms`` is what the phone's clock says, Unix time in ms."""
    here = dashboard()
    said = request.form.get("wall_ms", "")
    try:
        return jsonify(set_by_phone(here.records.open(), here.control, said))
    except SootsayerError as trouble:
        return refusal(str(trouble), 503)


def make_changes() -> Blueprint:
    """The blueprint of all changes."""
    changes = Blueprint("changes", __name__)
    changes.before_request(guard)
    changes.add_url_rule("/clock", "set_clock", set_clock, methods=["POST"])
    return changes
