"""The pages. Each is made of parts that are rendered alike for the whole page and for its
live renewal, so that what a script puts in is exactly what a reload would show."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from tempfile import SpooledTemporaryFile
from typing import Any

from flask import Blueprint, abort, current_app, jsonify, render_template, request, send_file
from flask.typing import ResponseReturnValue
from markupsafe import Markup

from sootsayer.model import AlertState, Link, SootsayerError
from sootsayer.report.export import export_alert
from sootsayer_web.alerts import alerts_answer
from sootsayer_web.evidence import evidence_view
from sootsayer_web.live import mark_of, steady_mark
from sootsayer_web.logger import health_answer
from sootsayer_web.now import head_answer, now_answer
from sootsayer_web.phone_clock import clock_answer
from sootsayer_web.recent import recent_rows
from sootsayer_web.state import dashboard

PLOT_SCRIPT = "vendor/uPlot.iife.min.js"
CSV_IN_MEMORY_BYTES = 1_000_000  # more goes to a file: the small computer has 512 MB


@dataclass(frozen=True, slots=True)
class Part:
    """A piece of a page. ``mark`` changes when, and only when, the piece does."""

    mark: str
    html: Markup


# Which live events make an open page fetch its parts anew; "now" changes the head of each.
RENEWED_BY = {
    "now": "now trouble",
    "alerts": "now alerts trouble",
    "alert": "now trouble",
    "logger": "now health trouble",
}
PARTS = {
    "now": ("status", "sentence", "watched", "clock", "first_day", "chain", "causes", "recent",
            "newest"),
    "alerts": ("status", "alert_list"),
    "alert": ("status",),
    "logger": ("status", "clock", "logger"),
}  # fmt: skip


def render_parts(page: str, view: dict[str, Any]) -> dict[str, Part]:
    """All parts of a page by name."""
    rendered = {}
    for name in PARTS[page]:
        html = render_template(f"parts/{name}.html", **view)
        rendered[name] = Part(mark_of(html), Markup(html))
    return rendered


def now_view() -> dict[str, Any]:
    here = dashboard()
    now = now_answer(here.records, here.limits)
    rows = recent_rows(here.records.open(), now["recent"], here.limits)
    return {"now": now, "rows": rows, "seen": steady_mark(now)} | _clock_view()


def alerts_view() -> dict[str, Any]:
    here = dashboard()
    link, state = request.args.get("link", ""), request.args.get("state", "")
    try:
        found = alerts_answer(here.records.open(), link, state)
    except SootsayerError as wrong:
        abort(400, str(wrong))
    return _status_view() | {"alerts": found, "link": link, "state": state,
                             "links": list(Link), "states": list(AlertState)}  # fmt: skip


def logger_view() -> dict[str, Any]:
    here = dashboard()
    return _status_view() | {"health": health_answer(here.records, here.limits)} | _clock_view()


def _clock_view() -> dict[str, Any]:
    here = dashboard()
    return {"clock": clock_answer(here.records.open(), here.limits), "token": here.token}


def _status_view() -> dict[str, Any]:
    """What the head of every page shows."""
    here = dashboard()
    return {"now": head_answer(here.records, here.records.open(), here.limits)}


VIEWS: dict[str, Callable[[], dict[str, Any]]] = {
    "now": now_view,
    "alerts": alerts_view,
    "alert": _status_view,
    "logger": logger_view,
}


def now() -> ResponseReturnValue:
    return _page("now", now_view())


def alerts() -> ResponseReturnValue:
    return _page("alerts", alerts_view())


def logger() -> ResponseReturnValue:
    return _page("logger", logger_view())


def alert(alert_id: int) -> ResponseReturnValue:
    here = dashboard()
    archive = here.records.open()
    row = archive.reader.alert(alert_id) if archive is not None else None
    if archive is None or row is None:
        abort(404)
    chosen = request.args.get("episode", type=int)
    view = evidence_view(archive, row, chosen, "all" in request.args, here.limits)
    view["token"] = here.token
    return _page("alert", _status_view() | view)


def evidence_csv(alert_id: int) -> ResponseReturnValue:
    """The readings of one alert. Written to a file first, so a long one needs little memory."""
    archive = dashboard().records.open()
    if archive is None or archive.reader.alert(alert_id) is None:
        abort(404)
    written = SpooledTemporaryFile(max_size=CSV_IN_MEMORY_BYTES)  # noqa: SIM115 - sent, then closed
    text = io.TextIOWrapper(written, encoding="utf-8", newline="", write_through=True)
    export_alert(archive.reader, text, alert_id)
    text.detach()
    written.seek(0)
    return send_file(
        written,
        mimetype="text/csv",
        as_attachment=True,
        download_name=f"alert-{alert_id}.csv",
    )


def parts(page: str) -> ResponseReturnValue:
    """The parts of a page as JSON, for a page that is already open."""
    if page not in PARTS:
        abort(404)
    rendered = render_parts(page, VIEWS[page]())
    return jsonify(
        {name: {"mark": part.mark, "html": part.html} for name, part in rendered.items()}
    )


def _page(page: str, view: dict[str, Any]) -> str:
    return render_template(
        f"{page}.html",
        page=page,
        parts=render_parts(page, view),
        renewed_by=RENEWED_BY[page],
        can_plot=_can_plot(),
        **view,
    )


def _can_plot() -> bool:
    """Whether the chart library was brought in when this was built."""
    return (Path(str(current_app.static_folder)) / PLOT_SCRIPT).is_file()


def make_pages() -> Blueprint:
    """The blueprint of all pages."""
    pages = Blueprint("pages", __name__)
    pages.add_url_rule("/", "now", now)
    pages.add_url_rule("/alerts", "alerts", alerts)
    pages.add_url_rule("/alerts/<int:alert_id>", "alert", alert)
    pages.add_url_rule("/alerts/<int:alert_id>/evidence.csv", "evidence_csv", evidence_csv)
    pages.add_url_rule("/logger", "logger", logger)
    pages.add_url_rule("/parts/<page>", "parts", parts)
    return pages
