"""Evidence of an alert from its page: made beside the dashboard, checked like any other pack."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from playwright.sync_api import Browser, expect
from werkzeug.test import TestResponse

from sootsayer.model import SootsayerError
from sootsayer.report.pack_verify import verify_pack
from sootsayer_web import create_app
from sootsayer_web.evidence_pack import build
from sootsayer_web.guard import TOKEN_FIELD
from sootsayer_web.limits import Limits
from web_recorder import Beside, drive_under_a_stale_clock, recording

ORIGIN = "http://192.168.4.1"
PAGE = {"Accept": "text/html,*/*;q=0.8", "Origin": ORIGIN}
WAIT_MS = 30_000


@pytest.fixture
def beside(tmp_path: Path) -> Iterator[Beside]:
    with recording(tmp_path) as running:
        yield running


def post(client: FlaskClient, alert: int = 1, token: str | None = None) -> TestResponse:
    shown = client.application.extensions["sootsayer"].token if token is None else token
    return client.post(
        f"/alerts/{alert}/evidence.zip", data={TOKEN_FIELD: shown}, headers=PAGE, base_url=ORIGIN
    )


def test_the_pack_comes_and_is_whole(beside: Beside, tmp_path: Path) -> None:
    client = create_app(beside.archive).test_client()
    came = post(client)
    assert came.status_code == 200 and came.mimetype == "application/zip"
    assert "evidence-alert-1.zip" in came.headers["Content-Disposition"]
    (tmp_path / "came.zip").write_bytes(came.data)
    found = verify_pack(tmp_path / "came.zip")
    assert found.alerts == 1 and found.chunks > 0


def test_what_is_refused_is_said_on_a_page(beside: Beside) -> None:
    app = create_app(beside.archive)
    client = app.test_client()
    assert post(client, alert=9).status_code == 404
    refused = post(client, token="guessed")
    assert refused.status_code == 403 and "reload it" in refused.get_data(as_text=True)
    assert client.get("/alerts/1/evidence.zip").status_code == 405
    with app.extensions["sootsayer"].packing:
        busy = post(client)
    assert busy.status_code == 503 and "being made already" in busy.get_data(as_text=True)


def test_one_that_takes_too_long_is_ended(beside: Beside) -> None:
    app = create_app(beside.archive, limits=replace(Limits.shipped(), pack_longest_s=0.01))
    late = post(app.test_client())
    assert late.status_code == 503 and "sootsayer pack" in late.get_data(as_text=True)
    assert not app.extensions["sootsayer"].packing.locked()


def test_its_trouble_is_told(tmp_path: Path) -> None:
    drive_under_a_stale_clock(tmp_path / "archive.db")  # nothing was judged in it
    control = tmp_path / "control.sock"
    with pytest.raises(SootsayerError, match="nothing has been judged"):
        build(tmp_path / "archive.db", 1, control, 60, threading.Event())
    stopping = threading.Event()
    stopping.set()
    with pytest.raises(SootsayerError, match="stopping"):
        build(tmp_path / "archive.db", 1, control, 60, stopping)


def test_the_button_on_a_phone(
    browser: Browser, serve_on: Callable[..., str], beside: Beside, tmp_path: Path
) -> None:
    address = serve_on(beside.archive)
    context = browser.new_context(viewport={"width": 390, "height": 844})
    context.set_default_timeout(WAIT_MS)
    page = context.new_page()
    page.goto(f"{address}/alerts/1")
    button = page.get_by_role("button", name="Download evidence")
    expect(button).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    with page.expect_download() as waiting:
        button.click()
        assert page.request.get(f"{address}/api/v1/now").status == 200  # meanwhile
    waiting.value.save_as(tmp_path / "came.zip")
    assert verify_pack(tmp_path / "came.zip").alerts == 1
    context.close()
