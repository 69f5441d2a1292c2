"""The few changes that a person may make from a page. The dashboard itself writes nothing: it
asks the recorder, over its socket with a fixed list of requests, and says what came of it."""

from __future__ import annotations

from flask import Blueprint, abort, jsonify, render_template, request, send_file
from flask.typing import ResponseReturnValue

from sootsayer.model import SootsayerError
from sootsayer_web.api import refusal
from sootsayer_web.evidence_pack import build
from sootsayer_web.guard import why_refused
from sootsayer_web.phone_clock import set_by_phone
from sootsayer_web.state import dashboard

LARGEST_BYTES = 1000  # of a request: a moment is thirteen digits


def guard() -> ResponseReturnValue | None:
    """Before every change: refuse what does not come from a page of ours."""
    if (request.content_length or 0) > LARGEST_BYTES:
        return refusal(f"the request is larger than {LARGEST_BYTES} bytes", 413)
    why = why_refused(request, dashboard().token)
    return _refused(why, 403) if why else None


def _refused(why: str, status: int) -> ResponseReturnValue:
    """As JSON for a script, as a page for a form."""
    if not request.accept_mimetypes.accept_html:
        return refusal(why, status)
    says = f"{why[0].upper()}{why[1:]}."
    return render_template("trouble.html", heading="That was not done", says=says), status


def set_clock() -> ResponseReturnValue:
    """The form value ``wall_ms`` is what the phone's clock says, Unix time in ms."""
    here = dashboard()
    said = request.form.get("wall_ms", "")
    try:
        return jsonify(set_by_phone(here.records.open(), here.control, said))
    except SootsayerError as trouble:
        return refusal(str(trouble), 503)


def evidence(alert_id: int) -> ResponseReturnValue:
    """An evidence pack of one alert. A change, because its readings are held from then on."""
    here = dashboard()
    archive = here.records.open()
    if archive is None or archive.reader.alert(alert_id) is None:
        abort(404)
    if not here.packing.acquire(blocking=False):
        return _refused("evidence is being made already; ask again when that has come", 503)
    try:
        limit_s = here.limits.pack_longest_s
        pack = build(here.records.archive, alert_id, here.control, limit_s, here.stop)
    except SootsayerError as trouble:
        return _refused(str(trouble), 503)
    finally:
        here.packing.release()
    name = f"evidence-alert-{alert_id}.zip"
    return send_file(pack, mimetype="application/zip", as_attachment=True, download_name=name)


def make_changes() -> Blueprint:
    """The blueprint of all changes."""
    changes = Blueprint("changes", __name__)
    changes.before_request(guard)
    changes.add_url_rule("/clock", "set_clock", set_clock, methods=["POST"])
    changes.add_url_rule(
        "/alerts/<int:alert_id>/evidence.zip", "evidence", evidence, methods=["POST"]
    )
    return changes
