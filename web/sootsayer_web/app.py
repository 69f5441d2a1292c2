"""The Flask app: settings in, app out. Headers, filters and error pages are put on here."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from flask import Flask, Response, render_template, request
from werkzeug.exceptions import HTTPException

from sootsayer.model import SootsayerError
from sootsayer_web.api import make_api, refusal
from sootsayer_web.changes import make_changes
from sootsayer_web.guard import new_token
from sootsayer_web.interface import PREFIX
from sootsayer_web.limits import Limits
from sootsayer_web.live import Watch
from sootsayer_web.pages import make_pages
from sootsayer_web.records import Records
from sootsayer_web.state import KEY, Dashboard
from sootsayer_web.words import ALERT_WORDS, FILTERS, LINK_WORDS, QUESTIONS, say_often

CONTROL_NAME = "control.sock"
HEADERS = {
    # Everything comes from this machine; no script or style stands inside a page.
    "Content-Security-Policy": (
        "default-src 'self'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'; object-src 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    # Not "no-referrer": a form's request would then not say that it comes from here.
    "Referrer-Policy": "same-origin",
}
REMEDIES = {
    404: "The address is wrong, or what was there is no longer kept.",
    405: "This address can only be read.",
    500: "This is a mistake in the dashboard, not in your car. The recorder is not affected. "
    "The service's log says more.",
    503: "The recorder is not affected by this page. Reload once it is put right.",
}


def create_app(
    archive: Path,
    *,
    limits: Limits | None = None,
    stop: threading.Event | None = None,
    control: Path | None = None,
) -> Flask:
    """The dashboard over the archive at ``archive``, which need not exist yet.

    ``stop`` ends open live streams when the server goes down. ``control``: where the recorder
    listens for the few changes a person may make [beside the archive].
    """
    app = Flask(__name__)
    app.json.sort_keys = False  # type: ignore[attr-defined]
    app.json.ensure_ascii = False  # type: ignore[attr-defined]
    chosen = limits or Limits.shipped()
    socket = control or archive.parent / CONTROL_NAME
    records = Records(archive, socket)
    app.extensions[KEY] = Dashboard(
        records=records,
        limits=chosen,
        watch=Watch(records, chosen),
        streams=threading.BoundedSemaphore(chosen.streams),
        stop=stop or threading.Event(),
        control=socket,
        token=new_token(),
        packing=threading.Lock(),
    )
    app.jinja_env.filters.update(FILTERS)
    app.jinja_env.globals.update(
        questions=QUESTIONS, link_words=LINK_WORDS, alert_words=ALERT_WORDS, often=say_often
    )
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.register_blueprint(make_pages())
    app.register_blueprint(make_api())
    app.register_blueprint(make_changes())
    app.register_error_handler(SootsayerError, _trouble)
    app.register_error_handler(HTTPException, _http_trouble)
    app.after_request(_add_headers)
    app.teardown_appcontext(lambda _: records.release())
    return app


def _add_headers(response: Response) -> Response:
    response.headers.update(HEADERS)
    if response.mimetype in ("application/json", "text/html", "text/event-stream"):
        response.headers["Cache-Control"] = "no-store"
    return response


def _trouble(trouble: Any) -> tuple[str, int]:
    return _trouble_page("The archive cannot be read", str(trouble), 503), 503


def _http_trouble(error: Any) -> Any:
    """Errors of the web itself: as JSON below the interface, as a page elsewhere."""
    status = error.code or 500
    if request.path.startswith(PREFIX):
        return refusal(f"{error.name.lower()}: {request.path}; {PREFIX}/openapi.json lists all",
                       status)  # fmt: skip
    heading = "There is no such page" if status == 404 else "This page cannot be shown"
    return _trouble_page(heading, f"{error.name}: {request.path}", status), status


def _trouble_page(heading: str, says: str, status: int) -> str:
    remedy = REMEDIES.get(status, "")
    return render_template("trouble.html", heading=heading, says=says, remedy=remedy)
